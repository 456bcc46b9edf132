import type { Clock, Link, SendOutcome, TimerHandle } from "@fardel/core";
import {
  ADDRESS_BYTES,
  ANSWER,
  C,
  concatenated,
  HELD_BYTES_MAX,
  intAt,
  KIND,
  OUTCOME,
  type Piece,
  PLACES,
  readPiece,
  TOLD,
  uintAt,
  wayOf,
} from "./board-program.js";
import type { CProgram, Told } from "./support/c-program.js";
import { answerCiphers, type SealWitness } from "./support/told-ciphers.js";

/** The clock of a board wraps around: this one 2.5 s after the clock of its test began. */
const BOARD_CLOCK_US = 2 ** 32 - 2_500_000;

/** Channels below this number are ordered. */
const ORDERED_CHANNELS = 6;

/** Fields of fardel_config that have numbers. */
export interface BoardConfig {
  /** Default 4. */
  readonly peers?: number;
  /** Default 8. */
  readonly window?: number;
  /** Default `window` - 1. */
  readonly buffers?: number;
  /** Default 2. */
  readonly linkDepth?: number;
  /** Default 0: any. */
  readonly messageBytesMax?: number;
}

/** A message that has arrived whole. */
export interface BoardMessage {
  readonly address: Uint8Array;
  /** 0 to 15, or 16 and a lane. */
  readonly channel: number;
  /** Of {@link KIND}. */
  readonly kind: number;
  readonly id: number;
  readonly bytes: Uint8Array;
}

/** What runs on the board. Called from within the C code: of the endpoint it may call `send` only. */
export interface BoardApplication {
  /** Called for each piece but broken ones, before it is put to the others. Default: `taken`. */
  takes?(piece: Piece): keyof typeof ANSWER;
  message(message: BoardMessage): void;
  session?(address: Uint8Array, what: "opened" | "ended", reason: number): void;
  /** A session is over that had not been open; known to tests only. */
  vanished?(address: Uint8Array): void;
}

/** A pair key of a board. */
export interface BoardKey {
  /** 32 bytes. */
  readonly secret: Uint8Array;
  /** 0 if this side initiated the pairing, 1 if it responded. */
  readonly side: 0 | 1;
}

/** What an endpoint that was built with FARDEL_PROTECTED is told of keys; as the core's `Protection`. */
export interface BoardKeys {
  keysFor(address: Uint8Array): readonly BoardKey[] | "revoked";
  noteRight?(address: Uint8Array, secret: Uint8Array): void;
  /** Told of what is encrypted. */
  readonly noteSealed?: SealWitness;
}

const PAIR_KEY_BYTES = 32;

export interface BoardOptions extends BoardConfig {
  /** `wasmProgram("endpoint")` or a native one; many endpoints may share one. */
  readonly program: CProgram;
  readonly link: Link;
  readonly clock: Clock;
  /** Uniform unsigned 32-bit numbers. */
  readonly random: () => number;
  readonly application: BoardApplication;
  /** For an endpoint that was built with FARDEL_PROTECTED. */
  readonly keys?: BoardKeys;
  /** Told what the C code does against fardel.h. */
  readonly onFault?: (fault: Error) => void;
  /** Told of each call of the C code, what it calls back and what it is answered, in their order. */
  readonly record?: Recorder;
}

/** `wait` is what fardel_poll() returned; the other names are functions of the harness, and callbacks. */
export type Recorder = (what: string, ints: readonly number[], bytes?: Uint8Array) => void;

/** How a message goes. */
export interface BoardSend {
  /** 0 to 15, or 16 and a lane. Default 1. */
  readonly channel?: number;
  /** Of {@link KIND}; needed on channels 14 and 15. */
  readonly kind?: number;
  readonly id?: number;
  /** 0 bulk, 1 normal, 2 urgent. Default 1. */
  readonly priority?: number;
  /** 0: none. */
  readonly deadlineUs?: number;
  /** `C.resend`, `C.handshake`, or both added. */
  readonly options?: number;
  /** Bytes are read by a callback, as they always are if there are many. */
  readonly isRead?: boolean;
}

/** A message on its way. */
export interface BoardSending {
  /** `C.delivered`, `C.sent`, `C.replaced`, or less than 0: why it has failed. */
  readonly ended: Promise<number>;
  cancel(): void;
}

interface Place {
  readonly bytes: Uint8Array;
  resolve(result: number): void;
}

/**
 * The endpoint in C on a link of the core, in the core's time: hands it datagrams, outcomes and instants,
 * and puts the pieces that it hands on together. Holds it to what fardel.h says of them.
 */
export class BoardEndpoint {
  /** What the C code was found to do against fardel.h. */
  fault: Error | undefined;
  readonly #options: BoardOptions;
  readonly #number: number;
  readonly #places: (Place | undefined)[] = new Array(PLACES).fill(undefined);
  readonly #parts = new Map<string, { pieces: Uint8Array[]; bytes: number; first: Piece }>();
  #timer: TimerHandle;
  #isPumpQueued = false;
  #isRunning = true;
  /** -1: not known. */
  #held = -1;
  #told: Uint8Array | undefined;

  /** @throws Error if the config is not possible */
  constructor(options: BoardOptions) {
    this.#options = options;
    const { link, peers = 4, window = 8, buffers = window - 1 } = options;
    const { linkDepth = 2, messageBytesMax = 0 } = options;
    const depth = Math.min(linkDepth, link.outstandingMax);
    const ints = [link.mtuBytes, peers, window, buffers, depth, messageBytesMax, this.#now()];
    options.record?.("endpoint_open", ints);
    this.#number = options.program.call(this.#listen, "endpoint_open", ints);
    if (this.#number < 0) throw new Error(`The endpoint in C does not open: ${this.#number}.`);
  }

  /** Opens the link. */
  async open(): Promise<void> {
    await this.#options.link.open({
      onDatagram: (from, datagram, { rssiDbm = 0 }) => {
        const bytes = concatenated(from, datagram);
        this.#do("endpoint_datagram", [bytes.length, rssiDbm, this.#now()], bytes);
      },
      onStatus: (status) => this.setLink(status === "up"),
    });
  }

  /** The link is down, or up again. */
  setLink(isUp: boolean): void {
    this.#do("endpoint_link", [isUp ? 1 : 0, this.#now()]);
  }

  /** Fragments that wait behind a gap, and messages under way to us. */
  get held(): number {
    if (!this.#isRunning) return 0;
    // Asked after each event of a simulation; a call of a program of the system takes its time.
    if (this.#held < 0)
      this.#held = this.#options.program.call(this.#listen, "endpoint_held", [this.#number]);
    return this.#held;
  }

  /** Whether a session with this address is open. */
  isOpen(address: Uint8Array): boolean {
    if (this.#call("endpoint_peer_at", [], address) < 0) return false;
    return uintAt(this.#told as Uint8Array, 24) === 1;
  }

  /** How many more fragments may be under way to this address. */
  placesTo(address: Uint8Array): number {
    return this.#call("endpoint_places", [], address);
  }

  /** @throws Error if fardel_send() does not take it, or all places are in use */
  send(to: Uint8Array, bytes: Uint8Array, send: BoardSend = {}): BoardSending {
    const { channel = 1, kind = KIND.message, id = 0, priority = 1, deadlineUs = 0 } = send;
    const { options = 0, isRead = false } = send;
    const place = this.#places.indexOf(undefined);
    if (place < 0) throw new BoardRefusal(C.inUse);
    const reads = isRead || bytes.length > HELD_BYTES_MAX;
    const way = wayOf(channel, kind, priority, options, reads);
    const ended = new Promise<number>((resolve) => {
      this.#places[place] = { bytes: bytes.slice(), resolve };
    });
    const ints = [place, bytes.length, deadlineUs, way, id, this.#now()];
    const whole = concatenated(to, bytes);
    const result = this.#call("endpoint_send", ints, reads ? to : whole, whole);
    if (result < 0) {
      this.#places[place] = undefined;
      throw new BoardRefusal(result);
    }
    this.#pumpSoon();
    const sending = this.#places[place];
    const cancel = () => {
      if (this.#places[place] === sending) this.#do("endpoint_cancel", [place, this.#now()]);
    };
    return { ended, cancel };
  }

  /** There is room again for what was answered with `busy`. */
  resume(): void {
    this.#do("endpoint_resume", [this.#now()]);
  }

  /** Ends the session with a peer. */
  closePeer(address: Uint8Array): void {
    this.#do("endpoint_close", [this.#now()], address);
  }

  /** ... and makes room for another one. */
  forgetPeer(address: Uint8Array): void {
    this.#do("endpoint_forget", [this.#now()], address);
  }

  /** The keys of a peer were changed by their owner. */
  changeKeys(address: Uint8Array): void {
    this.#do("endpoint_keys_changed", [this.#now()], address);
  }

  /** Stops, without a word to anybody. */
  stop(): void {
    this.#isRunning = false;
    this.#options.clock.clearTimer(this.#timer);
  }

  /** Does what is due now. */
  pump(): void {
    if (!this.#isRunning) return;
    const { clock } = this.#options;
    const waitUs = this.#call("endpoint_poll", [this.#now()]);
    this.#options.record?.("wait", [waitUs]);
    clock.clearTimer(this.#timer);
    this.#timer = undefined;
    if (waitUs === C.never) return;
    this.#timer = clock.setTimer(clock.nowUs() + (waitUs >>> 0), () => this.pump());
  }

  #pumpSoon(): void {
    if (this.#isPumpQueued) return;
    this.#isPumpQueued = true;
    queueMicrotask(() => {
      this.#isPumpQueued = false;
      this.pump();
    });
  }

  #now(): number {
    return (this.#options.clock.nowUs() + BOARD_CLOCK_US) % 2 ** 32;
  }

  #do(name: string, ints: readonly number[], bytes?: Uint8Array): void {
    if (!this.#isRunning) return;
    this.#call(name, ints, bytes);
    this.pump();
  }

  /** @param recorded - bytes for the record, if they are not those of the call */
  #call(name: string, ints: readonly number[], bytes?: Uint8Array, recorded = bytes): number {
    const { program, record } = this.#options;
    record?.(name, ints, recorded);
    this.#held = -1;
    return program.call(this.#listen, name, [this.#number, ...ints], bytes);
  }

  // Callbacks

  readonly #listen: Told = (what, value, bytes) => {
    switch (what) {
      case TOLD.transmit:
        return this.#transmit(value, bytes);
      case TOLD.random: {
        const drawn = this.#options.random();
        this.#options.record?.("random", [drawn]);
        return drawn;
      }
      case TOLD.receive:
        return ANSWER[this.#receive(readPiece(bytes))];
      case TOLD.ended:
        this.#options.record?.("ended", [value, intAt(bytes, 0)]);
        this.#end(value, intAt(bytes, 0));
        return 0;
      case TOLD.session:
        this.#tellSession(value, bytes);
        return 0;
      case TOLD.vanished:
        this.#options.application.vanished?.(bytes);
        return 0;
      case TOLD.read: {
        const offset = uintAt(bytes, 0);
        const place = this.#places[value];
        return place ? place.bytes.subarray(offset, offset + uintAt(bytes, 4)) : 0;
      }
      case TOLD.keys:
        return this.#keysFor(bytes);
      case TOLD.right:
        this.#options.keys?.noteRight?.(
          bytes.slice(0, ADDRESS_BYTES),
          bytes.slice(ADDRESS_BYTES, ADDRESS_BYTES + PAIR_KEY_BYTES),
        );
        return 0;
      default: {
        const answer = answerCiphers(what, value, bytes, this.#options.keys?.noteSealed);
        if (answer === undefined) this.#told = bytes;
        return answer ?? 0;
      }
    }
  };

  #keysFor(address: Uint8Array): Uint8Array | number {
    const keys = this.#options.keys?.keysFor(address) ?? [];
    if (keys === "revoked") return -1;
    return concatenated(...keys.flatMap(({ secret, side }) => [secret, Uint8Array.of(side)]));
  }

  #transmit(ticket: number, told: Uint8Array): number {
    const { link, record } = this.#options;
    record?.("transmit", [ticket], told);
    const to = told.subarray(0, ADDRESS_BYTES);
    link.send(to, told.subarray(ADDRESS_BYTES), (outcome: SendOutcome) => {
      this.#do("endpoint_outcome", [ticket, OUTCOME[outcome], this.#now()]);
    });
    return 0;
  }

  #end(at: number, result: number): void {
    const place = this.#places[at];
    if (!place) this.#complain(`Message ${at} has ended, and was not under way.`);
    this.#places[at] = undefined;
    place?.resolve(result);
    this.#options.clock.wakeWaiters?.();
  }

  #tellSession(what: number, told: Uint8Array): void {
    const name = what === C.opened ? "opened" : "ended";
    const reason = intAt(told, ADDRESS_BYTES);
    this.#options.application.session?.(told.subarray(0, ADDRESS_BYTES), name, reason);
    this.#options.clock.wakeWaiters?.();
  }

  #receive(piece: Piece): keyof typeof ANSWER {
    const { application, clock } = this.#options;
    const key = `${piece.address} ${piece.channel}`;
    const parts = this.#parts.get(key);
    if (piece.part & C.broken) {
      if (!parts) this.#complain(`A message on ${key} is broken that had not begun.`);
      this.#parts.delete(key);
      return "taken";
    }
    const isFirst = (piece.part & C.first) !== 0;
    const isLast = (piece.part & C.last) !== 0;
    // A whole message in one piece may come between the pieces of another, but not on ordered channels.
    const isSingle = isFirst && isLast && piece.channel >= ORDERED_CHANNELS;
    if (isFirst && parts && !isSingle) this.#complain(`A message on ${key} begins within another.`);
    if (!isFirst && !parts) this.#complain(`A piece on ${key} belongs to no message.`);
    const before = isSingle ? undefined : parts;
    if (piece.offset !== (before?.bytes ?? 0))
      this.#complain(`A piece on ${key} is at ${piece.offset}, not at ${before?.bytes ?? 0}.`);
    const bytes = piece.offset + piece.bytes.length;
    if (piece.total > 0 && (bytes > piece.total || (isLast && bytes !== piece.total)))
      this.#complain(`A message on ${key} has ${bytes} of ${piece.total} bytes.`);
    const answer = application.takes?.(piece) ?? "taken";
    this.#options.record?.("receive", [piece.part, ANSWER[answer]], piece.bytes);
    if (answer === "unwanted" && !isSingle) this.#parts.delete(key);
    if (answer !== "taken") return answer;
    const all = before ?? { pieces: [], bytes: 0, first: piece };
    all.pieces.push(piece.bytes);
    all.bytes = bytes;
    if (!isLast) this.#parts.set(key, all);
    if (!isLast) return answer;
    if (!isSingle) this.#parts.delete(key);
    const { address, channel, kind, id } = all.first;
    application.message({ address, channel, kind, id, bytes: concatenated(...all.pieces) });
    clock.wakeWaiters?.();
    return answer;
  }

  #complain(what: string): void {
    const fault = new Error(`Against fardel.h: ${what}`);
    this.fault ??= fault;
    this.#options.onFault?.(fault);
    this.#options.clock.wakeWaiters?.();
  }
}

/** fardel_send() did not take a message. */
export class BoardRefusal extends Error {
  override readonly name = "BoardRefusal";

  constructor(
    /** Of fardel.h. */
    readonly result: number,
  ) {
    super(`fardel_send() returns ${result}.`);
  }
}
