import { type Airtime, airtimeUs, presets, Random, VirtualClock } from "@fardel/lossy-link";
import { Announcer } from "./announcer.js";
import { MachineTimer } from "./machine-timer.js";
import { boardAddress, ROW_STATION } from "./sample-announcement.js";
import { FOUND_MAX, Searcher } from "./searcher.js";

/** One search among boards none of which hears another one. */
export interface HiddenAirResult {
  readonly found: number;
  /** Until the last of them was found, and until the search ended, microseconds. */
  readonly foundUs: number;
  readonly endUs: number;
  readonly queries: number;
  readonly answers: number;
  /** Time on air of all queries and answers, overlaps counted twice, microseconds. */
  readonly airtimeUs: number;
}

interface OnAir {
  readonly endUs: number;
  isDestroyed: boolean;
}

const BODY_BYTES_MAX = 246;
/** Head, kind, CRC-16. */
const AROUND_BYTES = 4;
const GATEWAY = Uint8Array.of(2, 0, 0, 0, 0, 1);

/**
 * The worst air for a search: no board hears another one, so that nobody waits, and answers that overlap are lost; nothing is
 * repeated by the link (pure ALOHA). The media of the lossy link cannot do this. The gateway's queries disturb nobody.
 * @param loss - of queries and of answers, each
 */
export function searchHiddenBoards(boards: number, loss: number, seed: number): HiddenAirResult {
  return new HiddenAir(boards, loss, seed).run();
}

class HiddenAir {
  readonly #clock = new VirtualClock();
  readonly #airtime: Airtime = presets.contention().airtime;
  readonly #random: Random;
  readonly #loss: number;
  readonly #searcher: Searcher;
  readonly #searchTimer: MachineTimer;
  readonly #boards: readonly { announcer: Announcer; timer: MachineTimer; number: number }[];
  #onAir: OnAir[] = [];
  #foundUs = 0;
  #answers = 0;
  #airtimeUs = 0;

  constructor(boards: number, loss: number, seed: number) {
    this.#random = new Random(`hidden-air/${seed}`);
    this.#loss = loss;
    const random = () => this.#random.uint32();
    const filter = { kind: "", namePrefix: "", pairingOnly: false };
    const sizes = { bodyBytesMax: BODY_BYTES_MAX, foundMax: FOUND_MAX };
    this.#searcher = new Searcher({ ...filter, ...sizes, random });
    this.#searchTimer = new MachineTimer(this.#clock, () => this.#pumpSearch());
    this.#boards = Array.from({ length: boards }, (_, number) => {
      const announcement = { ...ROW_STATION, name: `row ${number}` };
      const options = { bodyBytesMax: BODY_BYTES_MAX, announcement, random };
      const announcer = new Announcer({ address: boardAddress(number), ...options }, 0);
      const timer = new MachineTimer(this.#clock, () => this.#pumpBoard(number));
      return { announcer, timer, number };
    });
  }

  run(): HiddenAirResult {
    this.#searcher.ask();
    this.#pumpSearch();
    this.#clock.runSync();
    return {
      found: this.#searcher.foundCount,
      foundUs: this.#foundUs,
      endUs: this.#clock.nowUs(),
      queries: this.#searcher.queries,
      answers: this.#answers,
      airtimeUs: this.#airtimeUs,
    };
  }

  #pumpSearch(): void {
    this.#searcher.handleTimeout(this.#clock.nowUs());
    const query = this.#searcher.pollTransmit(this.#clock.nowUs());
    if (query) {
      const endUs = this.#clock.nowUs() + this.#spend(query);
      this.#clock.setTimer(endUs, () => this.#spread(query));
    }
    this.#searchTimer.set(this.#searcher.timeoutUs);
  }

  #spread(query: Uint8Array): void {
    const nowUs = this.#clock.nowUs();
    this.#searcher.handleSendOutcome(true, nowUs);
    for (const { announcer, number } of this.#boards) {
      if (this.#random.uniform() < this.#loss) continue;
      announcer.handleQuery(GATEWAY, query, nowUs);
      this.#pumpBoard(number);
    }
    this.#pumpSearch();
  }

  #pumpBoard(number: number): void {
    const { announcer, timer } = this.#boards[number]!;
    announcer.handleTimeout(this.#clock.nowUs());
    for (let out = announcer.pollTransmit(); out; out = announcer.pollTransmit())
      this.#answer(number, out.body);
    timer.set(announcer.timeoutUs);
  }

  #answer(number: number, body: Uint8Array): void {
    const nowUs = this.#clock.nowUs();
    const frame: OnAir = { endUs: nowUs + this.#spend(body), isDestroyed: false };
    this.#onAir = this.#onAir.filter(({ endUs }) => endUs > nowUs);
    for (const other of this.#onAir) {
      other.isDestroyed = true;
      frame.isDestroyed = true;
    }
    this.#onAir.push(frame);
    this.#answers++;
    this.#clock.setTimer(frame.endUs, () => {
      if (frame.isDestroyed || this.#random.uniform() < this.#loss) return;
      const atUs = this.#clock.nowUs();
      const heard = this.#searcher.handleAnnouncement(boardAddress(number), body, {}, atUs);
      if (heard === "new") this.#foundUs = atUs;
    });
  }

  #spend(body: Uint8Array): number {
    const frameUs = airtimeUs(this.#airtime, body.length + AROUND_BYTES);
    this.#airtimeUs += frameUs;
    return frameUs;
  }
}
