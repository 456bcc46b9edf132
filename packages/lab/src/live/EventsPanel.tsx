import { useEffect, useRef, useState } from "preact/hooks";
import { count, counted } from "./figures.js";
import type { LivePicture } from "./live-feed.js";
import { EVENTS_MAX, type LiveEvent, type LiveEventKind } from "./snapshot.js";

/** A mark for each kind; what it is, the sentence says. */
const MARKS: Readonly<Record<LiveEventKind, string>> = {
  "session-opened": "◆",
  "session-ended": "◇",
  message: "↓",
  request: "?",
  link: "▲",
  "transfer-begun": "▷",
  "transfer-ended": "■",
  losses: "✕",
  note: "·",
};

const CHOICES = {
  all: { words: "everything", isShown: () => true },
  rare: {
    words: "all but messages",
    isShown: ({ kind }: LiveEvent) => kind !== "message" && kind !== "request",
  },
  trouble: {
    words: "what wants attention",
    isShown: ({ isTrouble }: LiveEvent) => isTrouble,
  },
};
type Choice = keyof typeof CHOICES;

function isChoice(text: string): text is Choice {
  return Object.hasOwn(CHOICES, text);
}

/** What happened last. */
export function EventsPanel({ picture }: { readonly picture: LivePicture }) {
  const [choice, setChoice] = useState<Choice>("all");
  const { events, eventsMissed, snapshot } = picture;
  const shown = events.filter(CHOICES[choice].isShown);
  return (
    <section class="live-panel" aria-labelledby="live-events">
      <h2 id="live-events">Last events</h2>
      <label>
        Show{" "}
        <select
          value={choice}
          onChange={(event) => {
            const { value } = event.currentTarget;
            if (isChoice(value)) setChoice(value);
          }}
        >
          {Object.entries(CHOICES).map(([name, { words }]) => (
            <option key={name} value={name}>
              {words}
            </option>
          ))}
        </select>
      </label>
      <TroubleSpeaker events={events} />
      {shown.length === 0 && <p class="live-soft">None yet.</p>}
      {/* biome-ignore lint/a11y/noNoninteractiveTabindex: it scrolls, by keys too. */}
      <ol class="live-events" aria-labelledby="live-events" tabIndex={0}>
        {[...shown].reverse().map((event) => (
          <EventLine key={event.number} event={event} startedMs={snapshot.startedMs} />
        ))}
      </ol>
      {eventsMissed > 0 && (
        <p class="live-soft">
          {counted(eventsMissed, "event")} passed too quickly to be shown: a gateway keeps the last{" "}
          {count(EVENTS_MAX)}.
        </p>
      )}
    </section>
  );
}

function EventLine(props: { readonly event: LiveEvent; readonly startedMs: number }) {
  const { event, startedMs } = props;
  const when = new Date(startedMs + event.atUs / 1000);
  return (
    <li class={event.isTrouble ? "live-trouble" : ""}>
      <time dateTime={when.toISOString()}>{when.toLocaleTimeString("en-GB")}</time>
      <span aria-hidden="true">{event.isTrouble ? "!" : MARKS[event.kind]}</span>
      <span>{event.text}</span>
    </li>
  );
}

/** No more often than this is something read out, ms. */
const SPEAK_MS = 5000;

/** Reads out what wants attention, and only the last of it: everything would be too much to bear. */
function TroubleSpeaker({ events }: { readonly events: readonly LiveEvent[] }) {
  const [spoken, setSpoken] = useState("");
  const last = events.filter(({ isTrouble }) => isTrouble).at(-1);
  const heard = useRef({ number: last?.number ?? 0, atMs: Number.NEGATIVE_INFINITY });
  useEffect(() => {
    const nowMs = performance.now();
    if (!last || last.number <= heard.current.number) return;
    if (nowMs - heard.current.atMs < SPEAK_MS) return;
    heard.current = { number: last.number, atMs: nowMs };
    setSpoken(last.text);
  });
  return (
    <p class="live-spoken" aria-live="polite">
      {spoken}
    </p>
  );
}
