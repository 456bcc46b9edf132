import type { RemoteInfo, Socket } from "node:dgram";
import type { Address, DatagramInfo, Link, LinkHandlers, SendOutcome } from "@fardel/core";
import { decodeAddress, encodeAddress, formatHostAndPort } from "./address.js";
import { bindEar, bindMain, errorCode } from "./bind.js";
import { UdpLinkError } from "./errors.js";
import { checkOptions, type UdpLinkOptions, type UdpLinkSettings } from "./options.js";
import { outcomeOfError } from "./outcome.js";
import { OwnHosts, withoutZone } from "./own-hosts.js";

/** Counts of a link since it was bound. */
export interface UdpLinkStatistics {
  /** Outcomes that were told. */
  readonly outcomes: Readonly<Record<SendOutcome, number>>;
  /** Handed to `onDatagram`. */
  readonly received: { readonly datagrams: number; readonly bytes: number };
  /** Datagrams that arrived and were dropped. What the system itself drops is not known. */
  readonly dropped: {
    /** The link was bound, but not open yet. */
    readonly beforeOpen: number;
    /** Longer than `mtuBytes`: the sender has a larger one. */
    readonly oversized: number;
    /** From this link itself: its own broadcasts. */
    readonly own: number;
    /** From an address that `send` could not answer: link-local IPv6, heard by a link bound to `::`. */
    readonly unanswerable: number;
  };
  /** Sends that the system did not take, by its code: `EINVAL`, `ENETUNREACH`, … */
  readonly sendErrors: Readonly<Record<string, number>>;
}

type Done = (outcome: SendOutcome) => void;

/** UDP tells neither signal strength nor radio channel. */
const NOTHING_KNOWN: DatagramInfo = Object.freeze({});

/**
 * Datagrams over UDP: one link is one address and one port of this computer.
 *
 * ```ts
 * const link = await UdpLink.bind({ host: "192.168.1.2", port: 7400 });
 * const gateway = await Endpoint.open({ link });
 * gateway.peer(udpAddress("192.168.1.5:7400"));
 * ```
 *
 * Datagrams that arrive before `open` are dropped, as by a radio that is off. After that each is
 * handed over as the system gives it: what waits for this program waits in the system's buffer
 * (`receiveBufferBytes`). UDP has no acknowledgement, so `sent` only means that the system has
 * taken it.
 */
export class UdpLink implements Link {
  readonly mtuBytes: number;
  readonly outstandingMax: number;
  /** IP address that it is bound to. */
  readonly host: string;
  /** Port that it is bound to. */
  readonly port: number;
  /** Not even a field when bound to every network: which address others see depends on them. */
  declare readonly localAddress?: Address;
  /** Not even a field without the option `broadcast`. */
  declare readonly broadcastAddress?: Address;

  readonly #family: 4 | 6;
  /** `%eth0` when bound to a link-local address of IPv6, which needs it; else empty. */
  readonly #zone: string;
  readonly #main: Socket;
  readonly #ear: Socket | null;
  readonly #ownHosts: OwnHosts;
  /** In the order of hand-over. */
  readonly #outstanding = new Set<Done>();
  readonly #outcomes: Record<SendOutcome, number> = {
    sent: 0,
    acknowledged: 0,
    "not-acknowledged": 0,
    refused: 0,
    gone: 0,
  };
  readonly #received = { datagrams: 0, bytes: 0 };
  readonly #dropped = { beforeOpen: 0, oversized: 0, own: 0, unanswerable: 0 };
  readonly #sendErrors = new Map<string, number>();
  #handlers: LinkHandlers | undefined;
  #closing: Promise<void> | undefined;

  /**
   * Take an address and a port. `Endpoint.open`, or `open`, then starts the delivery.
   * @throws {@link UdpLinkError} `invalid-option`, `address-in-use`, `address-not-available`,
   * `not-permitted`, `bind-failed`, `aborted`
   */
  static async bind(options: UdpLinkOptions): Promise<UdpLink> {
    const settings = checkOptions(options);
    stopIfAborted(settings, options.signal);
    const { main, ear } = await bindBoth(settings);
    try {
      stopIfAborted(settings, options.signal);
    } catch (error) {
      main.close();
      ear?.close();
      throw error;
    }
    return new UdpLink(settings, main, ear);
  }

  private constructor(settings: UdpLinkSettings, main: Socket, ear: Socket | null) {
    const { family, mtuBytes, outstandingMax, broadcast } = settings;
    const { address: host, port } = main.address();
    this.mtuBytes = mtuBytes;
    this.outstandingMax = outstandingMax;
    this.host = host;
    this.port = port;
    const local = encodeAddress(withoutZone(host), port);
    if (local && host !== "0.0.0.0" && host !== "::") this.localAddress = local;
    const everybody = broadcast && encodeAddress(broadcast.address, broadcast.port ?? port);
    if (everybody) this.broadcastAddress = everybody;
    this.#family = family;
    this.#zone = host.slice(withoutZone(host).length);
    this.#ownHosts = new OwnHosts(host);
    this.#main = main;
    this.#ear = ear;
    for (const socket of [main, ear]) {
      socket?.on("message", (datagram, sender) => this.#receive(datagram, sender));
    }
  }

  /** How much the system holds for this program, bytes, as it counts; some report twice what was set. */
  get receiveBufferBytes(): number {
    return this.#closing ? 0 : this.#main.getRecvBufferSize();
  }

  /** How much the system holds on its way out, bytes, counted in the same way. */
  get sendBufferBytes(): number {
    return this.#closing ? 0 : this.#main.getSendBufferSize();
  }

  get statistics(): UdpLinkStatistics {
    return {
      outcomes: { ...this.#outcomes },
      received: { ...this.#received },
      dropped: { ...this.#dropped },
      sendErrors: Object.fromEntries(this.#sendErrors),
    };
  }

  /** @throws {@link UdpLinkError} `already-open`, `closed` */
  open(handlers: LinkHandlers): void {
    if (this.#closing) {
      throw new UdpLinkError("closed", `${this.#label} is closed. Bind a new one.`);
    }
    if (this.#handlers) {
      throw new UdpLinkError(
        "already-open",
        `${this.#label} is open already. Open each link once.`,
      );
    }
    this.#handlers = handlers;
  }

  send(to: Address, datagram: Uint8Array, done: Done): void {
    if (!this.#handlers) {
      this.#tellSoon("gone", done);
      return;
    }
    if (datagram.length > this.mtuBytes || this.#outstanding.size >= this.outstandingMax) {
      this.#tellSoon("refused", done);
      return;
    }
    const destination = decodeAddress(to);
    if (destination?.family !== this.#family) {
      // Nobody can be there: as with any other destination that is out of reach.
      this.#count("bad-address");
      this.#tellSoon("not-acknowledged", done);
      return;
    }
    const isBroadcast = this.#isBroadcast(to);
    if (isBroadcast) this.#ownHosts.refresh();
    const host = needsZone(to) ? destination.host + this.#zone : destination.host;
    // One of its own for each send: the owner may hand over the same function many times.
    const told: Done = (outcome) => this.#tell(outcome, done);
    this.#outstanding.add(told);
    this.#main.send(datagram, destination.port, host, (error) => {
      // No longer there: close has told its owner.
      if (!this.#outstanding.delete(told)) return;
      told(error ? this.#outcomeOf(error, isBroadcast) : "sent");
    });
  }

  close(): Promise<void> {
    this.#closing ??= this.#close();
    return this.#closing;
  }

  async #close(): Promise<void> {
    this.#handlers = undefined;
    const sockets = [this.#main, this.#ear].filter((socket) => socket !== null);
    const closed = sockets.map((socket) => new Promise<void>((resolve) => socket.close(resolve)));
    const outstanding = [...this.#outstanding];
    this.#outstanding.clear();
    // Each in a task of its own, so that an owner who throws keeps nothing from the others.
    for (const told of outstanding) queueMicrotask(() => told("gone"));
    await Promise.all(closed);
  }

  get #label(): string {
    return `The link at ${formatHostAndPort(this.host, this.port)}`;
  }

  #isBroadcast(to: Address): boolean {
    return this.broadcastAddress?.every((byte, i) => byte === to[i]) ?? false;
  }

  #outcomeOf(error: Error, isBroadcast: boolean): SendOutcome {
    const code = errorCode(error);
    this.#count(code);
    return outcomeOfError(code, isBroadcast);
  }

  /** The system has a few dozen codes: the map stays small. */
  #count(code: string): void {
    this.#sendErrors.set(code, (this.#sendErrors.get(code) ?? 0) + 1);
  }

  #tell(outcome: SendOutcome, done: Done): void {
    this.#outcomes[outcome]++;
    done(outcome);
  }

  /** Never from inside `send`. */
  #tellSoon(outcome: SendOutcome, done: Done): void {
    queueMicrotask(() => this.#tell(outcome, done));
  }

  #receive(datagram: Buffer, sender: RemoteInfo): void {
    if (this.#closing) return;
    const handlers = this.#handlers;
    const host = withoutZone(sender.address);
    const from = encodeAddress(host, sender.port);
    if (!handlers) this.#dropped.beforeOpen++;
    else if (sender.port === this.port && this.#ownHosts.has(host)) this.#dropped.own++;
    else if (datagram.length > this.mtuBytes) this.#dropped.oversized++;
    else if (!from || (needsZone(from) && this.#zone === "")) this.#dropped.unanswerable++;
    else {
      this.#received.datagrams++;
      this.#received.bytes += datagram.length;
      // A Buffer has a `slice` that does not copy: a trap for whoever expects a Uint8Array.
      const bytes = new Uint8Array(datagram.buffer, datagram.byteOffset, datagram.length);
      handlers.onDatagram(from, bytes, NOTHING_KNOWN);
    }
  }
}

function stopIfAborted({ host, port }: UdpLinkSettings, signal: AbortSignal | undefined): void {
  if (!signal?.aborted) return;
  const where = formatHostAndPort(host, port);
  throw new UdpLinkError("aborted", `Binding to ${where} was aborted.`, { cause: signal.reason });
}

async function bindBoth(settings: UdpLinkSettings): Promise<{ main: Socket; ear: Socket | null }> {
  const main = await bindMain(settings);
  try {
    return { main, ear: await bindEar(settings, main.address().port) };
  } catch (error) {
    main.close();
    throw error;
  }
}

/** Link-local, fe80::/10: means nothing without the interface. @see RFC 4291, section 2.5.6 */
function needsZone(address: Address): boolean {
  return address.length === 18 && address[0] === 0xfe && ((address[1] as number) & 0xc0) === 0x80;
}
