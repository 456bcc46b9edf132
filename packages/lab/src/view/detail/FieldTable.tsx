import type { DatagramField, DatagramPart } from "@fardel/core/wire";
import type { Signal } from "@preact/signals";
import type { MarkedBytes } from "./DetailPane.js";

/** Bytes of a field that are written out; the whole of them stands above. */
const HEX_DIGITS_MAX = 24;

/** Every part of the datagram with its fields in words. */
export function FieldTable({
  parts,
  marked,
}: {
  parts: readonly DatagramPart[];
  marked: Signal<MarkedBytes | undefined>;
}) {
  return (
    <div class="parts">
      {parts.map((part) => (
        <table key={part.from} class="part">
          <caption>
            <b>{part.name}</b> <span class="part-section">§ {part.section}</span>
            <span class="part-words">{part.words}</span>
          </caption>
          <thead class="unseen">
            <tr>
              <th scope="col">Field</th>
              <th scope="col">Bytes</th>
              <th scope="col">Value</th>
              <th scope="col">In words</th>
            </tr>
          </thead>
          <tbody>
            {part.fields.map((field) => (
              <FieldRow key={`${field.from} ${field.name}`} field={field} marked={marked} />
            ))}
          </tbody>
        </table>
      ))}
    </div>
  );
}

function FieldRow({
  field,
  marked,
}: {
  field: DatagramField;
  marked: Signal<MarkedBytes | undefined>;
}) {
  const now = marked.value;
  const isMarked = now !== undefined && field.from >= now.from && field.to <= now.to;
  const mark = (): void => {
    marked.value = { from: field.from, to: field.to };
  };
  const unmark = (): void => {
    marked.value = undefined;
  };
  return (
    <tr class={isMarked ? "marked" : ""} onPointerEnter={mark} onPointerLeave={unmark}>
      <th scope="row">
        <button
          type="button"
          class="link plain"
          onFocus={mark}
          onBlur={unmark}
          aria-label={`${field.name}: mark its bytes`}
        >
          {field.name}
        </button>
      </th>
      <td class="where">{whereText(field)}</td>
      <td class="value">{valueText(field)}</td>
      <td>{field.words}</td>
    </tr>
  );
}

function whereText({ from, to, mask }: DatagramField): string {
  if (mask !== undefined && mask !== 0xff) return `${from}, ${bitsText(mask)}`;
  return to - from === 1 ? String(from) : `${from}–${to - 1}`;
}

/** `bit 3`, `bits 7–6` */
function bitsText(mask: number): string {
  const high = 31 - Math.clz32(mask);
  const low = 31 - Math.clz32(mask & -mask);
  return high === low ? `bit ${low}` : `bits ${high}–${low}`;
}

function valueText({ value }: DatagramField): string {
  if (typeof value === "number") return String(value);
  return value.length > HEX_DIGITS_MAX ? `${value.slice(0, HEX_DIGITS_MAX)}…` : value;
}
