/** How well something is heard, in a word and in bars. */
export interface SignalWords {
  readonly word: string;
  /** 1 to 4. */
  readonly bars: number;
}

/**
 * Lower edges for receivers of about 1 Mbit/s, dBm; from memory, and no promise: what a strength is
 * worth depends on the noise where the receiver stands.
 */
const STEPS: readonly (readonly [fromDbm: number, words: SignalWords])[] = [
  [-60, { word: "strong", bars: 4 }],
  [-75, { word: "good", bars: 3 }],
  [-87, { word: "weak", bars: 2 }],
];
const FAINT: SignalWords = { word: "faint", bars: 1 };

export function signalWords(rssiDbm: number): SignalWords {
  return STEPS.find(([fromDbm]) => rssiDbm >= fromDbm)?.[1] ?? FAINT;
}
