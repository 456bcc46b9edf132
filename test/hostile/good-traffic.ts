import { type Endpoint, FardelError, type SendOptions } from "@fardel/core";
import { sameBytes } from "../simulation/payload.js";
import { bytesOf, keyOf } from "./forge.js";

/** First bytes of every message of the good peers. */
const MARK = 0xf05d;
const HEAD_BYTES = 6;
const REQUEST_BYTES = 32;
const DEADLINE_MS = 120_000;
/** Longer messages have fragments, and so a CRC-32. */
const UNPROTECTED_BYTES_MAX = 242;

interface Plan {
  readonly way: NonNullable<SendOptions["way"]>;
  readonly bytes: number;
}

/** One round, each way. */
const PLANS: readonly Plan[] = [
  { way: "ordered", bytes: 40 },
  { way: "ordered", bytes: 1500 },
  { way: "ordered", bytes: 300 },
  { way: "ordered", bytes: 20 },
  { way: "unordered", bytes: 700 },
  { way: "unordered", bytes: 24 },
  { way: "latest", bytes: 30 },
  { way: "latest", bytes: 600 },
  { way: "unacknowledged", bytes: 36 },
];
/** Of these a newer one may take the place of an older one, or it may be lost. */
const OPTIONAL: ReadonlySet<string> = new Set(["latest", "unacknowledged"]);

/** One end of the talk. */
export interface GoodEnd {
  readonly endpoint: Endpoint;
  readonly address: Uint8Array;
}

/** Something befell the messages of good peers that nothing in the protocol allows. */
export class GoodMessageHarmed extends Error {}

interface Expected {
  readonly bytes: Uint8Array;
  readonly mustArrive: boolean;
  hasArrived: boolean;
}

/**
 * What good peers say to each other, round after round, and the check that it arrives whole, once and
 * in order.
 */
export class GoodTraffic {
  /** Sessions may be ended by whoever knows their tokens: then a message may fail, with a typed error. */
  mayFail = false;
  /** Messages and requests that failed while they might. */
  failures = 0;
  readonly #expected = new Map<number, Expected>();
  readonly #lastOrdered = new Map<string, number>();
  #nextId = 1;

  /** All messages and requests of one round, both ways. @throws GoodMessageHarmed */
  async round(one: GoodEnd, other: GoodEnd): Promise<void> {
    if (!this.mayFail) this.#expected.clear();
    await Promise.all([
      ...PLANS.map((plan) => this.#send(one, other, plan)),
      ...PLANS.map((plan) => this.#send(other, one, plan)),
      this.#ask(one, other),
      this.#ask(other, one),
    ]);
  }

  /** After a round: what was acknowledged has been delivered. @throws GoodMessageHarmed */
  checkRound(): void {
    if (this.mayFail) return;
    for (const [id, { mustArrive, hasArrived }] of this.#expected)
      if (mustArrive && !hasArrived)
        throw new GoodMessageHarmed(`Message ${id} was acknowledged and never delivered.`);
  }

  /** A message from a good peer's address was delivered. @throws GoodMessageHarmed */
  take(to: Uint8Array, from: Uint8Array, way: string, bytes: Uint8Array): void {
    const fault = this.mayFail
      ? this.#damageOf(bytes)
      : this.#faultOf(`${keyOf(to)}<${keyOf(from)}`, way, bytes);
    if (fault)
      throw new GoodMessageHarmed(`A message of ${bytes.length} bytes of the good peers ${fault}.`);
  }

  /**
   * Against somebody who forges whole datagrams, nothing protects the order, the channel, or a message of
   * one fragment; a longer one is still delivered with its own bytes, or not at all.
   */
  #damageOf(bytes: Uint8Array): string | undefined {
    if (bytes.length <= UNPROTECTED_BYTES_MAX) return undefined;
    const sent = [...this.#expected.values()].some((expected) => sameBytes(expected.bytes, bytes));
    return sent ? undefined : "has bytes that nobody sent";
  }

  #faultOf(lane: string, way: string, bytes: Uint8Array): string | undefined {
    const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
    if (bytes.length < HEAD_BYTES || view.getUint16(0) !== MARK) return "is none of theirs";
    const id = view.getUint32(2);
    const expected = this.#expected.get(id);
    if (!expected) return `(${id}) was not sent in this round`;
    if (!sameBytes(expected.bytes, bytes)) return `(${id}) has other bytes than were sent`;
    if (expected.hasArrived) return `(${id}) came twice`;
    expected.hasArrived = true;
    if (way !== "ordered") return undefined;
    const last = this.#lastOrdered.get(lane) ?? 0;
    this.#lastOrdered.set(lane, id);
    return id < last ? `(${id}) came after a later one (${last})` : undefined;
  }

  async #send(from: GoodEnd, to: GoodEnd, { way, bytes }: Plan): Promise<void> {
    const message = this.#message(bytes, !OPTIONAL.has(way));
    await this.#settled(
      from.endpoint.peer(to.address).send(message, { way, deadlineMs: DEADLINE_MS }),
    );
  }

  async #ask(from: GoodEnd, to: GoodEnd): Promise<void> {
    const question = bytesOf(REQUEST_BYTES, this.#nextId++);
    const asking = from.endpoint.peer(to.address).request(question, { deadlineMs: DEADLINE_MS });
    const reply = await this.#settled(asking);
    if (reply && !this.mayFail && !sameBytes(reply, answerTo(question)))
      throw new GoodMessageHarmed("A reply of a good peer is not the answer to its question.");
  }

  #message(length: number, mustArrive: boolean): Uint8Array {
    const id = this.#nextId++;
    const bytes = bytesOf(length, id);
    const view = new DataView(bytes.buffer);
    view.setUint16(0, MARK);
    view.setUint32(2, id);
    this.#expected.set(id, { bytes, mustArrive, hasArrived: false });
    return bytes;
  }

  async #settled<T>(promise: Promise<T>): Promise<T | undefined> {
    try {
      return await promise;
    } catch (error) {
      if (!(error instanceof FardelError)) throw error;
      if (!this.mayFail)
        throw new GoodMessageHarmed(`A message between good peers failed with ${error.code}.`);
      this.failures++;
      return undefined;
    }
  }
}

/** What a good application answers to a request. */
export function answerTo(question: Uint8Array): Uint8Array {
  return question.slice().reverse();
}
