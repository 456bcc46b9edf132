import { useEffect, useState } from "preact/hooks";
import type { FeedState } from "./live-feed.js";
import { feed, tryNow } from "./live-state.js";

/** How the page stands to what it looks at, and the button that holds it still. */
export function FeedLine() {
  const state = feed.state.value;
  const isPaused = feed.isPaused.value;
  if (state.is === "none") return null;
  return (
    <div class={`live-feed live-feed-${state.is}`}>
      {/* The sentence alone is read out, not the seconds that count down. */}
      <p role="status">{sentenceOf(state, isPaused)}</p>
      {state.is === "lost" && <Retry atMs={state.retryMs} />}
      {state.is === "live" && (
        <button
          type="button"
          class="live-button"
          aria-pressed={isPaused}
          onClick={() => feed.setPaused(!isPaused)}
        >
          {isPaused ? "Go on" : "Pause"}
        </button>
      )}
    </div>
  );
}

function sentenceOf(state: FeedState, isPaused: boolean): string {
  switch (state.is) {
    case "none":
      return "";
    case "connecting":
      return "Connecting …";
    case "live":
      return isPaused
        ? "Paused. What happens meanwhile is shown when you go on."
        : "Live, a look each second.";
    case "lost":
      return `Connection lost, trying again. ${state.why}`;
    case "ended":
    case "refused":
      return state.sentence;
  }
}

function Retry({ atMs }: { readonly atMs: number }) {
  const [nowMs, setNowMs] = useState(performance.now());
  useEffect(() => {
    const timer = setInterval(() => setNowMs(performance.now()), 500);
    return () => clearInterval(timer);
  }, []);
  const leftS = Math.max(0, Math.ceil((atMs - nowMs) / 1000));
  return (
    <span>
      {leftS > 0 ? `Next attempt in ${leftS} s. ` : "Trying … "}
      <button type="button" class="live-button" onClick={tryNow}>
        Try now
      </button>
    </span>
  );
}
