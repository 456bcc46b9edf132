/** Keys that work anywhere on the lab's page, unless something there needs them itself. */
export const KEYS = [
  { keys: "Space", words: "play or pause" },
  { keys: "← →", words: "back or forward by one datagram" },
  { keys: "Page Up, Page Down", words: "back or forward by a twentieth of the run" },
  { keys: "Home, End", words: "to the start or the end" },
  { keys: "[ ]", words: "slower or faster" },
  { keys: "+ −", words: "look closer at the strip, or further away" },
  { keys: "0", words: "show the whole run in the strip" },
  { keys: ", .", words: "move the strip to the left or right" },
  { keys: "F", words: "show or hide the frame meter" },
  { keys: "?", words: "show these keys" },
  { keys: "Esc", words: "close what is open" },
] as const;
