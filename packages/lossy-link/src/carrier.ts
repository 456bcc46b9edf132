import type { Address, Clock } from "@fardel/core";
import { type AddressKey, sameAddress } from "./address.js";
import { type Air, type AirHost, ContentionAir, FifoAir } from "./air.js";
import { Delivery } from "./delivery.js";
import type { Impairments } from "./impairments.js";
import { type Fate, Ledger } from "./ledger.js";
import type { Station } from "./link.js";
import { airtimeUs, type ResolvedSettings } from "./medium-settings.js";
import type { Path } from "./path.js";
import { PathBook } from "./path-book.js";
import { Pool } from "./pool.js";
import { chanceThreshold, Random } from "./random.js";
import { Transmission } from "./transmission.js";

/**
 * What happens to frames when their time on air is over: who hears them, and what is left of them
 * there. The engine behind a `Medium`; knows bytes and instants, nothing else.
 */
export class Carrier implements AirHost {
  readonly clock: Clock;
  readonly settings: ResolvedSettings;
  readonly ledger = new Ledger();
  readonly transmissions = new Pool(() => new Transmission());
  readonly #deliveries: Pool<Delivery>;
  readonly paths: PathBook;
  readonly #ackLossThreshold: number;
  readonly #stations = new Map<AddressKey, Station>();
  /** All stations, for broadcasts; rebuilt when one comes or goes. */
  #everybody: readonly Station[] | undefined;
  readonly #airs = new Map<number | undefined, Air>();
  #frames = 0;

  constructor(clock: Clock, seed: number, settings: ResolvedSettings, impairments: Impairments) {
    const { acks, mtuBytes } = settings;
    this.clock = clock;
    this.settings = settings;
    const { propagation } = settings;
    this.paths = new PathBook(new Random(seed), propagation, impairments, (due) =>
      this.#deliver(due),
    );
    this.#ackLossThreshold = chanceThreshold(acks?.lossRate ?? 0);
    this.#deliveries = new Pool(() => new Delivery(mtuBytes, (due) => this.#deliver(due)));
  }

  // ---- stations and settings

  station(key: AddressKey): Station | undefined {
    return this.#stations.get(key);
  }

  add(station: Station): void {
    this.#stations.set(station.key, station);
    this.#everybody = undefined;
  }

  remove(station: Station): void {
    if (this.#stations.get(station.key) !== station) return;
    this.#stations.delete(station.key);
    this.#everybody = undefined;
  }

  isBroadcast(address: Address): boolean {
    const { broadcastAddress } = this.settings;
    return broadcastAddress !== undefined && sameAddress(address, broadcastAddress);
  }

  /** The air that a station on this radio channel sends on. */
  airFor(radioChannel: number | undefined): Air {
    if (this.settings.duplex === "full") return new FifoAir(this);
    let air = this.#airs.get(radioChannel);
    if (air === undefined) {
      const { contention } = this.settings;
      air =
        contention === undefined
          ? new FifoAir(this)
          : new ContentionAir(this, contention, ({ from, contentionWindow }) =>
              from.origin.backoff.integer(0, contentionWindow),
            );
      this.#airs.set(radioChannel, air);
    }
    return air;
  }

  // ---- the frame on air (AirHost)

  frameUs(datagramBytes: number): number {
    return airtimeUs(this.settings.airtime, datagramBytes);
  }

  /**
   * What a datagram to one address costs the medium on the average, microseconds: with contention,
   * also the silence and the mean back-off before it.
   */
  meanAirtimeUs(datagramBytes: number): number {
    const { contention, acks } = this.settings;
    const waitUs = contention ? contention.difsUs + (contention.cwMin / 2) * contention.slotUs : 0;
    return this.frameUs(datagramBytes) + Math.round(waitUs) + (acks?.ackUs ?? 0);
  }

  ackUs(transmission: Transmission): number {
    return transmission.broadcast ? 0 : (this.settings.acks?.ackUs ?? 0);
  }

  handleStart(transmission: Transmission): void {
    transmission.onAir = true;
    transmission.frame = ++this.#frames;
    transmission.attempts++;
    this.ledger.carried.add(transmission.datagram.length);
  }

  handleBusy(durationUs: number): void {
    this.ledger.airtimeUs += durationUs;
  }

  handleArrival(transmission: Transmission): void {
    if (!transmission.live) return;
    transmission.onAir = false;
    if (transmission.broadcast) this.#spread(transmission);
    else this.#arrive(transmission);
  }

  handleCollision(transmission: Transmission): void {
    if (!transmission.live) return;
    transmission.onAir = false;
    this.#settle("collided", transmission, transmission.to);
  }

  wantsRepetition(transmission: Transmission): boolean {
    const { live, broadcast, acknowledged, attempts } = transmission;
    const repetitionsMax = this.settings.acks?.repetitionsMax ?? 0;
    return live && !broadcast && !acknowledged && attempts <= repetitionsMax;
  }

  retire(transmission: Transmission): void {
    if (transmission.live) transmission.from.advance();
  }

  report(transmission: Transmission): void {
    if (!transmission.live) return;
    const { from, broadcast, acknowledged } = transmission;
    const done = transmission.end();
    this.transmissions.give(transmission);
    const told = this.settings.acks !== undefined && !broadcast;
    const outcome = !told ? "sent" : acknowledged ? "acknowledged" : "not-acknowledged";
    from.tell(outcome, done);
  }

  /** The sender was switched off: the frame on air breaks off, while its bytes are still there. */
  truncate(transmission: Transmission): void {
    this.#settle("truncated", transmission, transmission.to);
  }

  // ---- at the receivers

  #arrive(transmission: Transmission): void {
    const { from, to } = transmission;
    const receiver = from.neighbour(to);
    transmission.acknowledged = false;
    if (receiver === undefined || !this.#hears(receiver, from)) {
      this.#settle("unheard", transmission, to);
      return;
    }
    const nowUs = this.clock.nowUs();
    const path = this.paths.between(from, receiver, nowUs);
    const passage = path.judge(nowUs);
    if (passage !== "passes") {
      this.#settle(passage, transmission, receiver.localAddress);
      return;
    }
    transmission.acknowledged = !path.losesAck(this.#ackLossThreshold);
    if (transmission.received) {
      this.#settle("filtered", transmission, receiver.localAddress);
      return;
    }
    transmission.received = true;
    this.#dispatch(transmission, path, receiver, nowUs, path.line.empty);
  }

  #spread(transmission: Transmission): void {
    const { from } = transmission;
    const nowUs = this.clock.nowUs();
    this.#everybody ??= [...this.#stations.values()];
    for (const receiver of this.#everybody) {
      if (receiver === from || receiver.radioChannel !== from.radioChannel) continue;
      if (!receiver.listening) {
        this.#settle("unheard", transmission, receiver.localAddress);
        continue;
      }
      const path = this.paths.between(from, receiver, nowUs);
      const passage = path.judge(nowUs);
      if (passage !== "passes") this.#settle(passage, transmission, receiver.localAddress);
      // Never on the spot: what one receiver does must not touch the bytes before all have theirs.
      else this.#dispatch(transmission, path, receiver, nowUs, false);
    }
  }

  #hears(receiver: Station, from: Station): boolean {
    return receiver !== from && receiver.listening && receiver.radioChannel === from.radioChannel;
  }

  /** @param atOnce - whether what arrives now may be delivered now, or has to wait its turn */
  #dispatch(
    transmission: Transmission,
    path: Path,
    receiver: Station,
    leftAtUs: number,
    atOnce: boolean,
  ): void {
    const { pipeline } = path;
    const arrivalUs = pipeline.arrivalUs(leftAtUs);
    const heldUpUs = pipeline.heldUpUs();
    const copyDelayUs = pipeline.copyDelayUs();
    const original = this.#load(transmission, path, receiver, leftAtUs);
    if (heldUpUs >= 0) {
      this.clock.setTimer(arrivalUs + heldUpUs, original.arrive);
    } else if (atOnce && copyDelayUs < 0 && arrivalUs === leftAtUs) {
      this.#deliver(original);
      return;
    } else {
      path.line.push(original);
      this.clock.setTimer(arrivalUs, path.deliverNext);
    }
    if (copyDelayUs < 0) return;
    const copy = this.#load(transmission, path, receiver, leftAtUs);
    copy.copy = true;
    this.ledger.duplicated.add(copy.bytes.length);
    this.clock.setTimer(arrivalUs + Math.max(0, heldUpUs) + copyDelayUs, copy.arrive);
  }

  #load(transmission: Transmission, path: Path, receiver: Station, leftAtUs: number): Delivery {
    const delivery = this.#deliveries.take();
    delivery.load(transmission.datagram);
    delivery.frame = transmission.frame;
    delivery.path = path;
    delivery.to = receiver;
    delivery.info = path.info;
    delivery.leftAtUs = leftAtUs;
    delivery.copy = false;
    delivery.corrupted = path.pipeline.corrupt(delivery.bytes);
    return delivery;
  }

  #deliver(delivery: Delivery): void {
    const { path, bytes } = delivery;
    try {
      // Whoever has the address now: what was sent to a board reaches it also after it started anew.
      const receiver = delivery.to.closed ? this.#stations.get(delivery.to.key) : delivery.to;
      if (receiver?.listening) {
        this.#settleDelivery(delivery.corrupted ? "corrupted" : "delivered", delivery);
        receiver.receive(path.from, bytes, delivery.info);
      } else this.#settleDelivery("unheard", delivery);
    } finally {
      this.#deliveries.give(delivery);
    }
  }

  #settle(fate: Fate, transmission: Transmission, to: Address): void {
    const { frame, from, datagram } = transmission;
    this.ledger.count(fate, datagram.length);
    if (!this.ledger.observed) return;
    const leftAtUs = this.clock.nowUs();
    this.ledger.tell({ frame, leftAtUs, from: from.localAddress, to, datagram, fate, copy: false });
  }

  #settleDelivery(fate: Fate, delivery: Delivery): void {
    const { frame, leftAtUs, path, bytes, copy } = delivery;
    this.ledger.count(fate, bytes.length);
    if (!this.ledger.observed) return;
    this.ledger.tell({
      frame,
      leftAtUs,
      ...(fate !== "unheard" && { deliveredAtUs: this.clock.nowUs() }),
      from: path.from,
      to: path.to,
      datagram: bytes,
      fate,
      copy,
    });
  }
}
