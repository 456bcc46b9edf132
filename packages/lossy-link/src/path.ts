import type { Address, DatagramInfo } from "@fardel/core";
import { formatAddress } from "./address.js";
import type { Delivery } from "./delivery.js";
import { Fifo } from "./fifo.js";
import { ImpairmentPipeline, type Impairments, type Passage } from "./impairments.js";
import {
  distanceM,
  type Position,
  type Propagation,
  pathLossDb,
  roundDb,
  signalLossRate,
} from "./propagation.js";
import { chanceThreshold, type Random } from "./random.js";

/**
 * The way from one station to another: what befalls datagrams in this direction, and how strong
 * they arrive. Outlives the stations: a board that is closed and attached again under its address
 * goes on with the same path, and does not suffer the same losses a second time.
 */
export class Path {
  readonly from: Address;
  readonly to: Address;
  /** Settings of this path alone. */
  own: Impairments = {};
  /** State of the settings for which this path is configured; -1 for none. */
  version = -1;
  /**
   * Deliveries that keep their order. Each has set a timer; whichever timer comes first takes whoever
   * is first in the line, so that not even a clock that is late, and not always by the same time,
   * changes the order.
   */
  readonly line = new Fifo<Delivery>();
  /** Set as a timer as it is, once for each delivery in the line. */
  readonly deliverNext: () => void;
  /** What the link knows about the datagram that was judged last. */
  info: DatagramInfo = {};
  readonly pipeline: ImpairmentPipeline;
  readonly #random: Random;
  // Made when first needed, as everything here that not every path needs: of a thousand stations that
  // broadcast there are a million paths.
  #fading: Random | undefined;
  #ackLoss: Random | undefined;
  #propagation: Propagation | undefined;
  #radioChannel: number | undefined;
  #rssiDbm = 0;
  #fadeThreshold = 0;

  constructor(from: Address, to: Address, random: Random, whenDue: (delivery: Delivery) => void) {
    this.from = from;
    this.to = to;
    this.deliverNext = () => whenDue(this.line.shift()!);
    const name = `${formatAddress(from)}>${formatAddress(to)}`;
    this.#random = random.stream(name);
    this.pipeline = new ImpairmentPipeline(this.#random);
  }

  /** Radio channel of both ends, if the medium has several. */
  tune(radioChannel: number | undefined): void {
    this.#radioChannel = radioChannel;
    this.#propagation = undefined;
    this.#fadeThreshold = 0;
    this.info = radioChannel === undefined ? {} : { radioChannel };
  }

  /** Signal strength from where both ends stand; after {@link Path.tune}. */
  place(propagation: Propagation, from: Position, to: Position, random: Random): void {
    const lossDb = pathLossDb(distanceM(from, to), propagation);
    const shadowDb = roundDb(propagation.shadowingDb * this.#shadow(random));
    this.#propagation = propagation;
    this.#rssiDbm = roundDb(propagation.txPowerDbm - lossDb - shadowDb);
    this.#hear(this.#rssiDbm);
  }

  /** Whether the next datagram gets through, and with what {@link Path.info}. */
  judge(nowUs: number): Passage | "faded" {
    const passage = this.pipeline.judge(nowUs);
    const fadingDb = this.#propagation?.fadingDb ?? 0;
    if (fadingDb > 0) this.#hear(roundDb(this.#rssiDbm + fadingDb * this.#fade().normal()));
    const faded = this.#fadeThreshold > 0 && this.#fade().chance(this.#fadeThreshold);
    return passage === "passes" && faded ? "faded" : passage;
  }

  /** Whether the link-level acknowledgement of the datagram that was just received is lost. */
  losesAck(threshold: number): boolean {
    if (threshold === 0) return false;
    this.#ackLoss ??= this.#random.stream("neighbour-ack");
    return this.#ackLoss.chance(threshold);
  }

  #fade(): Random {
    this.#fading ??= this.#random.stream("fading");
    return this.#fading;
  }

  #hear(rssiDbm: number): void {
    this.#fadeThreshold = chanceThreshold(signalLossRate(rssiDbm, this.#propagation!));
    // Radios report whole decibels.
    this.info = {
      rssiDbm: Math.round(rssiDbm),
      ...(this.#radioChannel !== undefined && { radioChannel: this.#radioChannel }),
    };
  }

  /** The same both ways: whatever stands between two stations does so for either. */
  #shadow(random: Random): number {
    const ends = [formatAddress(this.from), formatAddress(this.to)].sort();
    return random.stream(`shadowing/${ends.join("|")}`).normal();
  }
}
