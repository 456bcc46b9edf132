import { computed, signal } from "@preact/signals";
import { DEFAULT_SETTINGS } from "../run/defaults.js";
import type { RunRecord } from "../run/record.js";
import { Side, type SideName } from "./side.js";

export const sideA = new Side("A", DEFAULT_SETTINGS);
export const sideB = new Side("B", DEFAULT_SETTINGS);

/** Whether the second setting stands beside the first. */
export const isComparing = signal(false);

/** Whose settings the form shows. */
export const editedName = signal<SideName>("A");
export const editedSide = computed(() =>
  isComparing.value && editedName.value === "B" ? sideB : sideA,
);

export const shownSides = computed(() => (isComparing.value ? [sideA, sideB] : [sideA]));

/** The sides that have something to show. */
export const shownRecords = computed(() =>
  shownSides.value.flatMap((side): { side: Side; record: RunRecord }[] => {
    const record = side.record.value;
    return record === undefined ? [] : [{ side, record }];
  }),
);

/** The person's own file, for both sides. */
export const file = signal<{ readonly name: string; readonly bytes: Uint8Array } | undefined>(
  undefined,
);

/** Sentences for the person: what was wrong with an address, a file, a run. Newest first. */
export const troubles = signal<readonly string[]>([]);

export function tellTrouble(...sentences: readonly string[]): void {
  troubles.value = [...new Set([...sentences, ...troubles.value])].slice(0, 5);
}

export function dismissTrouble(sentence: string): void {
  troubles.value = troubles.value.filter((text) => text !== sentence);
}
