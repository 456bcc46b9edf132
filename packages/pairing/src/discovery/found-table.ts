import type { Address, DatagramInfo } from "@fardel/core";
import { addressText } from "../store/address-text.js";
import type { Announcement } from "./announce-body.js";

/** Announcements of a board of which the signal strength is kept; PROTOCOL.md, section 15.3. */
export const RSSI_SAMPLES_MAX = 15;
/** After this time a signal strength counts no more, microseconds. */
export const RSSI_SAMPLE_US_MAX = 10_000_000;

/** A board that was heard; a copy. All of it is a claim of whoever sent it, but for what the radio measured. */
export interface Found {
  readonly address: Address;
  /** Show it with care: anybody's text. */
  readonly name: string;
  /** Show it with care: anybody's text. */
  readonly kind: string;
  readonly announcement: Announcement;
  /** Signal strengths of its last announcements, dBm, oldest first: at most 15, none older than 10 s. */
  readonly rssiSamplesDbm: readonly number[];
  /** Median of them; left out: there are none. */
  readonly rssiDbm?: number;
  /** Radio channel on which it was heard last, if that is known. */
  readonly channel?: number;
  /** Instant of its last announcement, by the clock of the search. */
  readonly heardUs: number;
}

interface Sample {
  readonly rssiDbm: number;
  readonly atUs: number;
}

interface Entry {
  readonly address: Address;
  announcement: Announcement;
  samples: Sample[];
  channel: number | undefined;
  heardUs: number;
}

/** Boards that were heard, in bounded number: of more, the one heard longest ago gives way. */
export class FoundTable {
  readonly #boardsMax: number;
  /** Oldest first. */
  readonly #entries = new Map<string, Entry>();
  /** Those of them that nobody has taken yet, in the order in which they were found. */
  readonly #untaken = new Map<string, Entry>();

  constructor(boardsMax: number) {
    this.#boardsMax = boardsMax;
  }

  get size(): number {
    return this.#entries.size;
  }

  has(address: Address): boolean {
    return this.#entries.has(addressText(address));
  }

  *addresses(): IterableIterator<Address> {
    for (const { address } of this.#entries.values()) yield address;
  }

  /** @returns whether it was not in the table */
  note(
    address: Address,
    announcement: Announcement,
    { rssiDbm, radioChannel }: DatagramInfo,
    nowUs: number,
  ): boolean {
    const key = addressText(address);
    const known = this.#entries.get(key);
    const entry = known ?? { address: address.slice(), samples: [], ...unheard(announcement) };
    this.#entries.delete(key);
    if (!known) {
      this.#makeRoom();
      this.#untaken.set(key, entry);
    }
    this.#entries.set(key, entry);
    entry.announcement = announcement;
    entry.heardUs = nowUs;
    entry.channel = radioChannel ?? entry.channel;
    if (rssiDbm !== undefined) entry.samples.push({ rssiDbm, atUs: nowUs });
    if (entry.samples.length > RSSI_SAMPLES_MAX) entry.samples.shift();
    return known === undefined;
  }

  forget(address: Address): void {
    this.#delete(addressText(address));
  }

  /** The next one that was not taken yet; one that had to give way meanwhile is not among them. */
  take(nowUs: number): Found | undefined {
    for (const [key, entry] of this.#untaken) {
      this.#untaken.delete(key);
      return foundOf(entry, nowUs);
    }
    return undefined;
  }

  find(address: Address, nowUs: number): Found | undefined {
    const entry = this.#entries.get(addressText(address));
    return entry && foundOf(entry, nowUs);
  }

  /** All, the one heard longest ago first. */
  all(nowUs: number): Found[] {
    return Array.from(this.#entries.values(), (entry) => foundOf(entry, nowUs));
  }

  #makeRoom(): void {
    if (this.#entries.size < this.#boardsMax) return;
    const [oldest] = this.#entries.keys();
    if (oldest !== undefined) this.#delete(oldest);
  }

  #delete(key: string): void {
    this.#entries.delete(key);
    this.#untaken.delete(key);
  }
}

function unheard(announcement: Announcement): Pick<Entry, "announcement" | "channel" | "heardUs"> {
  return { announcement, channel: undefined, heardUs: 0 };
}

function foundOf(entry: Entry, nowUs: number): Found {
  const { address, announcement, channel, heardUs } = entry;
  const rssiSamplesDbm = entry.samples
    .filter(({ atUs }) => nowUs - atUs <= RSSI_SAMPLE_US_MAX)
    .map(({ rssiDbm }) => rssiDbm);
  const rssiDbm = median(rssiSamplesDbm);
  return {
    address: address.slice(),
    name: announcement.name,
    kind: announcement.kind,
    announcement,
    rssiSamplesDbm,
    ...(rssiDbm !== undefined && { rssiDbm }),
    ...(channel !== undefined && { channel }),
    heardUs,
  };
}

/** The middle one; of an even number, the mean of the two in the middle. @returns nothing if there is none */
export function median(values: readonly number[]): number | undefined {
  const sorted = [...values].sort((one, other) => one - other);
  const low = sorted[(sorted.length - 1) >> 1];
  const high = sorted[sorted.length >> 1];
  return low === undefined || high === undefined ? undefined : (low + high) / 2;
}
