import { computed, signal } from "@preact/signals";
import { shownRecords, sideA } from "./lab.js";
import type { Side, SideName } from "./side.js";

/** The board that the large pictures are about: index in `stations`. */
export const pickedBoard = signal(1);

/** The datagram whose bytes are shown. */
export const pickedDatagram = signal<{ readonly side: SideName; readonly row: number } | undefined>(
  undefined,
);

/** Counts up when the pane with the bytes is to take the focus: chosen by keyboard, from a table. */
export const focusDetail = signal(0);

/** The record of the datagram that is shown, if it still has that row. */
export const pickedRecord = computed(() => {
  const picked = pickedDatagram.value;
  if (picked === undefined) return undefined;
  const shown = shownRecords.value.find(({ side }) => side.name === picked.side);
  if (shown === undefined || picked.row >= shown.record.datagrams.count) return undefined;
  return { record: shown.record, row: picked.row };
});

export function pickDatagram(side: Side, row: number | undefined): void {
  pickedDatagram.value = row === undefined ? undefined : { side: side.name, row };
}

/** Keeps the choice inside what there is. */
export function clampSelection(): void {
  const boards = (sideA.record.peek()?.stations.length ?? 2) - 1;
  if (pickedBoard.peek() > boards) pickedBoard.value = 1;
  pickedDatagram.value = undefined;
}
