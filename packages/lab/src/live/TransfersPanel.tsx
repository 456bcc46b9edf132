import { byteRate, byteSize, counted, elapsed } from "./figures.js";
import type { LiveSnapshot, LiveTransfer } from "./snapshot.js";

/** Messages that are on their way, with how far they are. */
export function TransfersPanel({ snapshot }: { readonly snapshot: LiveSnapshot }) {
  const { transfers, transfersTotal } = snapshot;
  const hidden = transfersTotal - transfers.length;
  return (
    <section class="live-panel" aria-labelledby="live-transfers">
      <h2 id="live-transfers">Transfers under way</h2>
      {transfers.length === 0 && (
        <p class="live-soft">None. Messages of less than 1 kB are over before they show.</p>
      )}
      <ul class="live-transfers">
        {transfers.map((transfer) => (
          <Transfer key={transfer.id} transfer={transfer} />
        ))}
      </ul>
      {hidden > 0 && <p>… and {counted(hidden, "further transfer")}.</p>}
    </section>
  );
}

function Transfer({ transfer }: { readonly transfer: LiveTransfer }) {
  const { id, direction, name, address, totalBytes, doneBytes } = transfer;
  const label = `${direction === "sending" ? "↑ to" : "↓ from"} ${name ?? address}`;
  const size =
    totalBytes === undefined
      ? `${byteSize(doneBytes)} so far`
      : `${byteSize(doneBytes)} of ${byteSize(totalBytes)}`;
  return (
    <li>
      <label for={`live-transfer-${id}`}>{label}</label>
      <progress
        id={`live-transfer-${id}`}
        {...(totalBytes !== undefined && { max: totalBytes, value: doneBytes })}
      />
      <span class="live-soft">
        {size}
        {paceOf(transfer)}
      </span>
    </li>
  );
}

function paceOf({ doneBytes, totalBytes, bytesPerS }: LiveTransfer): string {
  if (bytesPerS === undefined) return "";
  if (bytesPerS <= 0) return doneBytes === 0 ? ", waiting" : ", nothing arrives just now";
  if (totalBytes === undefined) return `, ${byteRate(bytesPerS)}`;
  const leftUs = ((totalBytes - doneBytes) / bytesPerS) * 1e6;
  return `, ${byteRate(bytesPerS)}, ${elapsed(leftUs + 1e6)} to go`;
}
