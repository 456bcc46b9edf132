import type { DatagramInfo } from "@fardel/core";
import type { LossyLink, VirtualClock } from "@fardel/lossy-link";
import type { Shot } from "./attack.js";
import { VICTIM } from "./stations.js";

/** The radio of an attacker: sends one datagram after the other, each with a source of its choice. */
export class Attacker {
  /** Airtime of what it has sent, microseconds. */
  airUs = 0;
  /** Sources that its datagrams on the way claim, in order: its radio reorders nothing and loses nothing. */
  readonly #sources: Uint8Array[] = [];

  constructor(
    readonly radio: LossyLink,
    readonly clock: VirtualClock,
    /** Datagrams in the radio's queue at once; 0: they need no air. */
    readonly depth: number,
    readonly hear: (from: Uint8Array, datagram: Uint8Array, info: DatagramInfo) => void,
  ) {
    radio.open({ onDatagram: () => {} });
  }

  /** Source of the datagram that the victim's radio hears now. */
  takeSource(): Uint8Array {
    const source = this.#sources.shift();
    if (!source) throw new Error("The attacker's radio was heard, but it had sent nothing.");
    return source;
  }

  /** Send so many of these, or all of them if there are fewer. */
  fire(shots: Iterator<Shot>, datagrams: number, onOver: () => void): void {
    let left = datagrams;
    let isPaused = false;
    let underWay = 0;
    const leave = (pauseUs: number) => {
      underWay--;
      if (pauseUs === 0) {
        next();
        return;
      }
      this.clock.setTimer(this.clock.nowUs() + pauseUs, () => {
        isPaused = false;
        next();
      });
    };
    const next = () => {
      while (underWay < Math.max(1, this.depth) && !isPaused) {
        const shot = left-- > 0 ? shots.next() : undefined;
        if (!shot || shot.done) {
          if (underWay === 0) onOver();
          return;
        }
        const { pauseUs = 0 } = shot.value;
        isPaused = pauseUs > 0;
        underWay++;
        this.#shoot(shot.value, () => leave(pauseUs));
      }
    };
    this.clock.setTimer(this.clock.nowUs(), next);
  }

  #shoot({ from, datagram }: Shot, onLeft: () => void): void {
    const { radio } = this;
    const isCarried = datagram.length > 0 && datagram.length <= radio.mtuBytes;
    if (this.depth === 0 || !isCarried) {
      this.clock.setTimer(this.clock.nowUs() + 1, () => {
        this.hear(from, datagram, {});
        onLeft();
      });
      return;
    }
    this.#sources.push(from);
    this.airUs += radio.airtimeUs(datagram.length);
    radio.send(VICTIM, datagram, onLeft);
  }
}
