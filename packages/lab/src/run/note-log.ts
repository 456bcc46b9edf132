import type { NoteRecord } from "./record.js";

/** Notes that are kept; of what comes after, only the number. */
const NOTES_MAX = 5_000;

/** Collects what happens, in sentences. */
export class NoteLog {
  readonly #notes: NoteRecord[] = [];
  #leftOut = 0;

  add(note: NoteRecord): void {
    if (this.#notes.length < NOTES_MAX) this.#notes.push(note);
    else this.#leftOut++;
  }

  /** @param endUs - of the run: outages after it did not happen */
  record(outages: readonly (readonly [number, number])[], endUs: number): NoteRecord[] {
    const notes = [...this.#notes];
    for (const [fromUs, toUs] of outages) {
      const ends = [
        [fromUs, "An outage begins: nothing gets through."],
        [toUs, "The outage is over."],
      ] as const;
      for (const [atUs, text] of ends) {
        if (atUs <= endUs) notes.push({ atUs, kind: "outage", text, station: undefined });
      }
    }
    if (this.#leftOut > 0) {
      const text = `${this.#leftOut} more events are not listed.`;
      notes.push({ atUs: endUs, kind: "trouble", text, station: undefined });
    }
    return notes.sort((one, other) => one.atUs - other.atUs);
  }
}
