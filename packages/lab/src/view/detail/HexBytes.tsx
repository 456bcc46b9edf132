import type { DatagramPart } from "@fardel/core/wire";
import type { Signal } from "@preact/signals";
import type { MarkedBytes } from "./DetailPane.js";

const PER_LINE = 16;

/** The bytes in hexadecimal, parts told apart by a line under them; a field that is pointed at is marked. */
export function HexBytes({
  bytes,
  parts,
  marked,
}: {
  bytes: Uint8Array;
  parts: readonly DatagramPart[];
  marked: Signal<MarkedBytes | undefined>;
}) {
  const lines = Array.from({ length: Math.ceil(bytes.length / PER_LINE) }, (_, line) => line);
  return (
    // biome-ignore lint/a11y/noNoninteractiveTabindex: it scrolls, so it must be reachable by keyboard
    <section class="hex" tabIndex={0} aria-label={`${bytes.length} bytes in hexadecimal`}>
      {lines.map((line) => (
        <div key={line} class="hex-line">
          <span class="hex-offset" aria-hidden="true">
            {String(line * PER_LINE).padStart(4, " ")}
          </span>
          {Array.from(bytes.subarray(line * PER_LINE, (line + 1) * PER_LINE), (byte, column) => (
            <HexByte
              key={column}
              byte={byte}
              offset={line * PER_LINE + column}
              parts={parts}
              marked={marked}
            />
          ))}
        </div>
      ))}
    </section>
  );
}

function HexByte({
  byte,
  offset,
  parts,
  marked,
}: {
  byte: number;
  offset: number;
  parts: readonly DatagramPart[];
  marked: Signal<MarkedBytes | undefined>;
}) {
  const at = parts.findIndex(({ from, to }) => offset >= from && offset < to);
  const now = marked.value;
  const isMarked = now !== undefined && offset >= now.from && offset < now.to;
  return (
    <span
      class={`hex-byte ${at % 2 === 0 ? "even" : "odd"}${isMarked ? " marked" : ""}`}
      onPointerEnter={() => {
        const field = parts[at]?.fields.find(({ from, to }) => offset >= from && offset < to);
        marked.value = field && { from: field.from, to: field.to };
      }}
      onPointerLeave={() => {
        marked.value = undefined;
      }}
    >
      {byte.toString(16).padStart(2, "0")}
    </span>
  );
}
