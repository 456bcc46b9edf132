import { indexOf } from "../picture/record-index.js";
import { fragmentCountsAt } from "../run/views.js";
import { shownRecords } from "../state/lab.js";
import { pickedBoard } from "../state/selection.js";

/** How far the chosen board's blob is at an instant, in a sentence for each side that is shown. */
export function progressSentence(atUs: number): string {
  const shown = shownRecords.value;
  return shown
    .map(({ side, record }) => {
      const board = pickedBoard.value;
      const index = indexOf(record).transfer[board] ?? -1;
      const transfer = record.transfers[index];
      if (transfer === undefined) return "";
      const counts = { sent: 0, arrived: 0, acknowledged: 0 };
      const { arrived } = fragmentCountsAt(record, index, atUs, counts);
      const who = record.stations[board]?.name ?? `board ${board}`;
      const where = transfer.from === 0 ? `at ${who}` : `from ${who} at the gateway`;
      const name = shown.length > 1 ? `Setting ${side.name}: ` : "";
      return `${name}${arrived} of ${transfer.fragmentCount} fragments are ${where}.`;
    })
    .filter((sentence) => sentence !== "")
    .join(" ");
}
