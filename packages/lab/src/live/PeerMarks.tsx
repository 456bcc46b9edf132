import { percent } from "./figures.js";
import { signalWords } from "./signal-words.js";
import type { LivePeer } from "./snapshot.js";

const BARS = [1, 2, 3, 4];

/** Strength as bars, in a word and in dBm. */
export function Signal({ peer }: { readonly peer: LivePeer }) {
  const { rssiDbm, radioChannel } = peer;
  const channel = radioChannel === undefined ? "" : `, channel ${radioChannel}`;
  if (rssiDbm === undefined) return <span class="live-soft">not told{channel}</span>;
  const { word, bars } = signalWords(rssiDbm);
  return (
    <span class="live-signal">
      <svg viewBox="0 0 19 12" aria-hidden="true">
        {BARS.map((bar) => (
          <rect
            key={bar}
            class={bar <= bars ? "live-bar-on" : "live-bar-off"}
            x={bar * 5 - 5}
            y={12 - bar * 3}
            width={4}
            height={bar * 3}
          />
        ))}
      </svg>{" "}
      {word}{" "}
      <span class="live-soft">
        {Math.round(rssiDbm)} dBm{channel}
      </span>
    </span>
  );
}

/** Loss as a bar and as a figure. */
export function Loss({ peer: { lossRate } }: { readonly peer: LivePeer }) {
  if (lossRate === undefined) return <span class="live-soft">nothing sent</span>;
  return (
    <span class="live-loss">
      <svg viewBox="0 0 50 8" aria-hidden="true">
        <rect class="live-bar-off" width={50} height={8} />
        <rect class="live-bar-lost" width={50 * lossRate} height={8} />
      </svg>{" "}
      {percent(lossRate)}
    </span>
  );
}
