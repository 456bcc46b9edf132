const PATHS = {
  start: "M3 3v10M13 3L6 8l7 5z",
  back: "M11 3L4 8l7 5z",
  play: "M4 2l10 6-10 6z",
  pause: "M4 2h3v12H4zM9 2h3v12H9z",
  forward: "M5 3l7 5-7 5z",
  end: "M13 3v10M3 3l7 5-7 5z",
  closer: "M7 2a5 5 0 100 10A5 5 0 007 2zM11 11l4 4M5 7h4M7 5v4",
  further: "M7 2a5 5 0 100 10A5 5 0 007 2zM11 11l4 4M5 7h4",
  left: "M10 3L5 8l5 5",
  right: "M6 3l5 5-5 5",
  close: "M4 4l8 8M12 4l-8 8",
} as const;

export type IconName = keyof typeof PATHS;

const FILLED: readonly IconName[] = ["start", "back", "play", "pause", "forward", "end"];

/** A small drawing inside a button; its words stand beside it or in the button's label. */
export function Icon({ name }: { name: IconName }) {
  return (
    <svg
      class="icon"
      viewBox="0 0 16 16"
      width="16"
      height="16"
      aria-hidden="true"
      fill={FILLED.includes(name) ? "currentColor" : "none"}
      stroke="currentColor"
      stroke-width="1.6"
      stroke-linejoin="round"
      stroke-linecap="round"
    >
      <path d={PATHS[name]} />
    </svg>
  );
}
