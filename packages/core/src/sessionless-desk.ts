import { call } from "./call.js";
import type { Driver } from "./driver.js";
import type { Address, SendOutcome } from "./link.js";
import { invalidOption } from "./protocol/config.js";
import { FardelError } from "./protocol/errors.js";
import type { ProtocolEvent } from "./protocol/events.js";
import { sentenceFor } from "./sentences.js";
import type { Sessionless, SessionlessListener } from "./sessionless.js";
import { SESSIONLESS_AROUND_BYTES } from "./wire/sessionless-datagram.js";

type Received = Extract<ProtocolEvent, { type: "sessionless-received" }>;

/** Who listens for which kind of datagrams without session. */
export class SessionlessDesk {
  readonly #listeners = new Map<number, Set<SessionlessListener>>();
  readonly #driver: Driver;

  constructor(driver: Driver) {
    this.#driver = driver;
  }

  open(kind: number, listener: SessionlessListener): Sessionless {
    if (!Number.isInteger(kind) || kind < 1 || kind > 255)
      throw invalidOption("kind", `${kind} is not a whole number from 1 to 255`);
    const { broadcastAddress, mtuBytes } = this.#driver.link;
    const listeners = this.#listeners.get(kind) ?? new Set();
    // An entry of its own: the same function may listen twice.
    const entry: SessionlessListener = (...heard) => listener(...heard);
    listeners.add(entry);
    this.#listeners.set(kind, listeners);
    this.#driver.protocol.sessionlessKinds.add(kind);
    return {
      bodyBytesMax: mtuBytes - SESSIONLESS_AROUND_BYTES,
      ...(broadcastAddress && { broadcastAddress }),
      send: (to, body) => this.#send(to, kind, body),
      close: () => {
        listeners.delete(entry);
        if (listeners.size === 0) this.#driver.protocol.sessionlessKinds.delete(kind);
      },
    };
  }

  receive({ address, kind, body, info }: Received): void {
    for (const listener of this.#listeners.get(kind) ?? [])
      call(() => listener(address, body, info), undefined);
    this.#driver.clock.wakeWaiters?.();
  }

  async #send(to: Address, kind: number, body: Uint8Array): Promise<SendOutcome> {
    const { link, protocol, clock, isRunning } = this.#driver;
    if (!isRunning) throw new FardelError("endpoint-closed", sentenceFor("endpoint-closed"));
    const bytesMax = link.mtuBytes - SESSIONLESS_AROUND_BYTES;
    if (body.length > bytesMax) {
      const sentence = `A body of ${body.length} bytes does not fit in a datagram of this link: ${bytesMax} do.`;
      throw new FardelError("message-too-large", sentence);
    }
    const outcome = new Promise<SendOutcome>((resolve) => {
      const address = to.slice();
      const done = (told: SendOutcome) => {
        resolve(told);
        clock.wakeWaiters?.();
      };
      protocol.sendSessionless({ address, kind, body: body.slice(), done });
    });
    this.#driver.pumpSoon();
    // It goes out at the end of this turn, which a virtual clock has to wait for.
    clock.wakeWaiters?.();
    return outcome;
  }
}
