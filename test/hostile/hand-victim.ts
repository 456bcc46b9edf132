import { type DatagramInfo, Endpoint, type EndpointOptions, type LinkHandlers } from "@fardel/core";
import { Random, VirtualClock } from "@fardel/lossy-link";
import { Accounts } from "./accounts.js";
import type { Vantage } from "./attack.js";
import { bytesOf, keyOf } from "./forge.js";
import { HostilePeer } from "./hostile-peer.js";
import { Overheard } from "./overheard.js";
import { GOOD } from "./stations.js";

/** How a victim by hand is set, besides its limits. */
export interface HandOptions extends Partial<Omit<EndpointOptions, "link" | "clock" | "random">> {
  readonly mtuBytes?: number;
  /** How long the link takes for a datagram, microseconds; `Infinity`: it takes two and lets none leave. */
  readonly sendUs?: number;
}

/** An endpoint whose link is the test itself: no air, no good peers, every datagram said by hand. */
export class HandVictim {
  readonly clock = new VirtualClock();
  readonly accounts = new Accounts();
  /** What it has sent, newest last. */
  readonly sent: { readonly to: Uint8Array; readonly datagram: Uint8Array }[] = [];
  endpoint!: Endpoint;
  /** Its application sends by itself: then more may go out than came in. */
  isTalkative = false;
  readonly #received = new Map<string, Uint8Array[]>();
  #handlers: LinkHandlers | undefined;

  static async open({
    mtuBytes = 250,
    sendUs = 100,
    ...limits
  }: HandOptions = {}): Promise<HandVictim> {
    const victim = new HandVictim();
    const { clock } = victim;
    const numbers = new Random("victim by hand");
    victim.endpoint = await Endpoint.open({
      ...limits,
      clock,
      random: () => numbers.uint32(),
      link: {
        mtuBytes,
        outstandingMax: 4,
        open: (handlers) => {
          victim.#handlers = handlers;
        },
        send: (to, datagram, done) => {
          if (!victim.isTalkative) victim.accounts.noteOut(to, datagram);
          victim.sent.push({ to: to.slice(), datagram: datagram.slice() });
          victim.#received.get(keyOf(to))?.push(datagram.slice());
          if (Number.isFinite(sendUs)) clock.setTimer(clock.nowUs() + sendUs, () => done("sent"));
        },
        close: () => {},
      },
    });
    return victim;
  }

  hear(from: Uint8Array, datagram: Uint8Array, info: DatagramInfo = {}): void {
    this.accounts.noteIn(from, datagram);
    this.#handlers?.onDatagram(from, datagram, info);
  }

  async pass(seconds: number): Promise<void> {
    await this.clock.run({ untilUs: this.clock.nowUs() + Math.round(seconds * 1e6) });
  }

  /** A peer at this address that has opened a session, and is verified. */
  async meet(address: Uint8Array): Promise<HostilePeer> {
    const peer = new HostilePeer(this.vantage(keyOf(address)), address);
    for (const { from, datagram, pauseUs = 0 } of peer.meet()) {
      this.hear(from, datagram);
      await this.pass(pauseUs / 1e6);
    }
    return peer;
  }

  /** Hear what a peer says, and let a little time pass. */
  async take({ from, datagram }: { from: Uint8Array; datagram: Uint8Array }): Promise<void> {
    this.hear(from, datagram);
    await this.pass(0.01);
  }

  vantage(seed = ""): Vantage {
    return {
      random: new Random(`by hand ${seed}`),
      mtuBytes: 250,
      goodPeer: GOOD,
      overheard: new Overheard(),
      receiveAt: (address) => {
        const received: Uint8Array[] = [];
        this.#received.set(keyOf(address), received);
        return received;
      },
      lure: (address, bytes) => {
        this.endpoint
          .peer(address)
          .send(bytesOf(bytes))
          .catch(() => {});
      },
    };
  }
}
