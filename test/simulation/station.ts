import {
  DEFAULT_CONFIG,
  FardelError,
  type FardelErrorCode,
  type IncomingStream,
  type MessageHead,
  type Protection,
  type ProtocolConfig,
} from "@fardel/core";
import { type LossyLink, type Medium, Random, type VirtualClock } from "@fardel/lossy-link";
import type { BoardKeys } from "../../packages/board-c/test/board-endpoint.js";
import { BootClock, BootLink } from "./boot-link.js";
import { TokenPairs } from "./chance.js";
import { changed, Keepsake } from "./keepsake.js";
import { type Arrival, BrokenPromise, type Incarnation, type Oracle } from "./oracle.js";
import { idOf, NAMED_BYTES_MIN, replyTo } from "./payload.js";
import type { Keys } from "./protection.js";
import type { IntrusionPlan, StationPlan } from "./scenario.js";
import type { OpenEndpoint, StationEndpoint, StationRequest } from "./station-endpoint.js";
import type { Watch } from "./watch.js";

/** Every so many requests are answered with a failure. */
const FAILED_REQUEST_EVERY = 7;

/** After which an answer that found the queue full is tried again, microseconds. */
const REPLY_AGAIN_US = 200_000;

/** Whether the application at the other end fails this request. */
export function isRequestFailed(id: number): boolean {
  return id % FAILED_REQUEST_EVERY === 3;
}

/** Stands between the endpoint and the oracle: how a test makes an endpoint that breaks its promises. */
export type Tamper = (arrival: Arrival) => readonly Arrival[];

/** What a station shares with the others of its run. */
export interface StationSetting {
  readonly clock: VirtualClock;
  readonly medium: Medium;
  readonly oracle: Oracle;
  readonly seed: number;
  /** Stations keep what they receive. */
  readonly hasReplays: boolean;
  /** Datagrams are damaged on their way. */
  readonly hasCorruption: boolean;
  readonly watch: Watch;
  /** If sessions are protected. */
  readonly keys: Keys | undefined;
  readonly tamper: Tamper | undefined;
  /** What the station with this number runs. */
  openerOf(station: number): OpenEndpoint;
  stationAt(address: Uint8Array): number;
  /** What broke in code that nobody waits for. */
  fail(error: unknown): void;
  isHealed(): boolean;
}

/** A radio, the endpoints that follow each other on it, and the application that reads. */
export class Station {
  readonly radio: LossyLink;
  readonly config: ProtocolConfig;
  readonly boots: Incarnation[] = [];
  endpoint!: StationEndpoint;
  /** Replies under way. */
  replies = 0;
  #link!: BootLink;
  #clock!: BootClock;
  readonly #received = new Keepsake();
  readonly #random: Random;
  readonly #protection: Protection | undefined;
  readonly #boardKeys: BoardKeys | undefined;
  #tokens = new TokenPairs();

  constructor(
    readonly index: number,
    readonly plan: StationPlan,
    readonly setting: StationSetting,
  ) {
    this.config = { ...DEFAULT_CONFIG, ...plan.config };
    this.radio = setting.medium.attach({ address: plan.address });
    this.#random = new Random(setting.seed).stream(`reader ${index}`);
    this.#protection = setting.keys?.ringOf(index, (address) => setting.stationAt(address));
    this.#boardKeys = setting.keys?.boardKeysOf(index, (address) => setting.stationAt(address));
    this.radio.open({
      onDatagram: (from, datagram, info) => {
        if (setting.hasReplays) this.#received.keep(from, datagram, this.incarnation.boot);
        this.#link.receive(from, datagram, info);
      },
      onStatus: (status) => this.#link.tellStatus(status),
    });
  }

  get incarnation(): Incarnation {
    return this.boots[this.boots.length - 1] as Incarnation;
  }

  /** Abandon the endpoint that there is, and open another one. */
  boot(): void {
    const { plan, setting } = this;
    const nowUs = setting.clock.nowUs();
    if (this.boots.length > 0) {
      this.incarnation.endUs = nowUs;
      this.replies = 0;
      this.#link.close();
      this.#clock.stop();
    }
    const boot = this.boots.length;
    const incarnation = {
      station: this.index,
      boot,
      startUs: nowUs,
      endUs: Number.POSITIVE_INFINITY,
    };
    this.boots.push(incarnation);
    const { clock, watch } = setting;
    const depth = plan.config.linkDepth ?? 2;
    const { mtuBytes, queue } = plan;
    const tokens = new TokenPairs();
    this.#tokens = tokens;
    const bootWatch = watch.boot(incarnation);
    this.#link = new BootLink(this.radio, {
      mtuBytes,
      depth,
      queue: { ...queue, clock },
      watch: {
        ...bootWatch,
        noteHandedOver: (to, datagram) => {
          tokens.note(datagram);
          bootWatch.noteHandedOver(to, setting.keys?.unveil(datagram) ?? datagram);
        },
        noteTaken: (from, datagram) => {
          bootWatch.noteTaken(from, setting.keys?.unveil(datagram) ?? datagram);
        },
      },
    });
    this.#clock = new BootClock(setting.clock);
    const draws = new Random(setting.seed).stream(`tokens ${this.index} ${boot}`);
    const options = {
      ...plan.config,
      link: this.#link,
      clock: this.#clock,
      random: () => draws.uint32(),
      ...(this.#protection && { protection: this.#protection }),
      ...(this.#isSelective && { accept: (head: MessageHead) => this.#accept(head) }),
    };
    const opened = setting.openerOf(this.index)({
      ...{ typescript: options, index: this.index, boot, plan, seed: setting.seed },
      ...(this.#boardKeys && { boardKeys: this.#boardKeys }),
      fail: (error) => {
        if (this.incarnation === incarnation) setting.fail(error);
      },
      shareOf: (label, ...values) => this.#shareOf(label, ...values),
      noteLeftUnread: (start) => {
        if (this.incarnation === incarnation) setting.oracle.noteLeftUnread(start);
      },
    });
    void opened.then((endpoint) => {
      if (this.incarnation === incarnation) this.#begin(endpoint, incarnation);
    }, setting.fail);
  }

  /** What it has received before comes once more. */
  replay({ age, change, salt }: IntrusionPlan): void {
    const kept = this.#received.pick(age);
    if (!kept) return;
    const copy = changed(kept.datagram, change, new Random(salt));
    const isChance = kept.boot !== this.incarnation.boot && this.#tokens.passes(copy);
    if (!isChance) this.#link.receive(kept.from, copy, {});
  }

  get #isSelective(): boolean {
    const { streamShare, cancelShare, refuseShare } = this.plan.accept;
    return streamShare + cancelShare + refuseShare > 0;
  }

  #begin(endpoint: StationEndpoint, incarnation: Incarnation): void {
    const { setting, plan } = this;
    this.endpoint = endpoint;
    endpoint.on("session-ended", ({ peer }) => {
      const other = setting.stationAt(peer.address);
      if (other >= 0) setting.oracle.noteSessionEnd(this.index, other);
    });
    if (plan.reader.kind === "callback") {
      endpoint.onMessage(({ peer, bytes, way, channel }) => {
        const from = setting.stationAt(peer.address);
        this.#tell(incarnation, { kind: "message", form: "whole", from, way, channel, bytes });
      });
    } else void this.#readMessages(endpoint, incarnation).catch(setting.fail);
    void this.#readRequests(endpoint, incarnation).catch(setting.fail);
    void this.#readStreams(endpoint, incarnation).catch(setting.fail);
  }

  /** The same word for the same message each time it is asked. */
  #accept(head: MessageHead): "whole" | "stream" | "refuse" {
    const { streamShare, refuseShare } = this.plan.accept;
    const share = this.#shareOf("accept", head.totalBytes ?? 0, head.channel);
    if (share < refuseShare) return "refuse";
    return share < refuseShare + streamShare ? "stream" : "whole";
  }

  #shareOf(label: string, ...values: readonly number[]): number {
    return new Random(this.setting.seed).stream(`${label} ${values.join(" ")}`).uniform();
  }

  #tell(incarnation: Incarnation, arrival: Arrival): void {
    // Without authentication anybody can repeat what is not bound to an address: section 12.
    if (incarnation !== this.incarnation || arrival.from < 0) return;
    const { oracle, tamper } = this.setting;
    for (const each of tamper?.(arrival) ?? [arrival]) oracle.noteArrival(incarnation, each);
  }

  async #readMessages(endpoint: StationEndpoint, incarnation: Incarnation): Promise<void> {
    await this.#linger();
    for await (const { peer, bytes, way, channel } of endpoint.messages()) {
      const from = this.setting.stationAt(peer.address);
      this.#tell(incarnation, { kind: "message", form: "whole", from, way, channel, bytes });
      await this.#linger();
    }
  }

  async #readRequests(endpoint: StationEndpoint, incarnation: Incarnation): Promise<void> {
    for await (const request of endpoint.requests()) {
      const from = this.setting.stationAt(request.peer.address);
      const { bytes } = request;
      this.#tell(incarnation, {
        kind: "request",
        form: "whole",
        from,
        way: "unordered",
        channel: 0,
        bytes,
      });
      await this.#linger();
      if (from < 0) void request.reply(bytes).catch(codeOf).catch(this.setting.fail);
      else if (incarnation === this.incarnation)
        void this.#answer(request, incarnation).catch(this.setting.fail);
    }
  }

  async #answer(request: StationRequest, incarnation: Incarnation): Promise<void> {
    const id = idOf(request.bytes);
    const { clock, oracle } = this.setting;
    this.replies++;
    for (;;) {
      const code = await (isRequestFailed(id)
        ? request.fail(`no ${id}`)
        : request.reply(replyTo(id))
      ).then(() => undefined, codeOf);
      if (incarnation !== this.incarnation) return;
      if (code === undefined) break;
      // As an application would: what waits now will have left a little later.
      if (code === "queue-full") {
        await clock.delay(REPLY_AGAIN_US);
        continue;
      }
      const sent = oracle.sent[id];
      if (sent) oracle.noteUnanswerable(sent);
      break;
    }
    this.replies--;
    clock.wakeWaiters();
  }

  async #readStreams(endpoint: StationEndpoint, incarnation: Incarnation): Promise<void> {
    // One after the other on each channel, so that their order can be judged.
    const lanes = new Map<string, Promise<void>>();
    for await (const stream of endpoint.streams()) {
      const lane = `${stream.peer.address} ${stream.way} ${stream.channel}`;
      const before = lanes.get(lane) ?? Promise.resolve();
      const read = () => this.#readStream(stream, incarnation).catch(this.setting.fail);
      lanes.set(lane, before.then(read));
    }
  }

  async #readStream(stream: IncomingStream, incarnation: Incarnation): Promise<void> {
    const { totalBytes = 0, way, channel } = stream;
    const isLeft =
      totalBytes >= NAMED_BYTES_MIN &&
      this.#shareOf("cancel", totalBytes, channel) < this.plan.accept.cancelShare;
    const pieces: Uint8Array[] = [];
    let bytes = 0;
    try {
      for await (const piece of stream) {
        pieces.push(piece);
        bytes += piece.length;
        await this.#linger();
        if (isLeft && bytes >= NAMED_BYTES_MIN) {
          if (incarnation === this.incarnation) this.setting.oracle.noteLeftUnread(joined(pieces));
          return;
        }
      }
    } catch (error) {
      if (!(error instanceof FardelError)) throw error;
      // One damaged datagram in 65,536 passes its CRC-16; the CRC-32 of the message finds it.
      if (error.code === "damaged" && !this.setting.hasCorruption)
        throw new BrokenPromise("A stream ended as damaged.");
      return;
    }
    const from = this.setting.stationAt(stream.peer.address);
    this.#tell(incarnation, {
      kind: "message",
      form: "stream",
      from,
      way,
      channel,
      bytes: joined(pieces),
    });
  }

  /** The reader is slow, or does not read at all for a while. */
  async #linger(): Promise<void> {
    const { reader } = this.plan;
    const { clock } = this.setting;
    const nowUs = clock.nowUs();
    const pause = reader.pauses.find(([fromUs, toUs]) => nowUs >= fromUs && nowUs < toUs);
    if (pause) await clock.delay(pause[1] - nowUs);
    else if (reader.delayUsMax > 0 && !this.setting.isHealed())
      await clock.delay(this.#random.integer(0, reader.delayUsMax));
  }
}

/** @throws whatever is not an error of the library */
function codeOf(error: unknown): FardelErrorCode {
  if (error instanceof FardelError) return error.code;
  throw error;
}

function joined(pieces: readonly Uint8Array[]): Uint8Array {
  const whole = new Uint8Array(pieces.reduce((sum, piece) => sum + piece.length, 0));
  let at = 0;
  for (const piece of pieces) {
    whole.set(piece, at);
    at += piece.length;
  }
  return whole;
}
