import { FardelError } from "@fardel/core";
import { Medium, VirtualClock } from "@fardel/lossy-link";
import type { Target } from "../../packages/board-c/test/support/build.js";
import { describeDatagram } from "../../packages/core/src/wire/describe.js";
import { type BoardsMode, isBoard, scenarioForBoards } from "./board-plan.js";
import { boardOpener } from "./board-stations.js";
import { type Cut, cutScenario, replayCommand } from "./cut.js";
import { drawScenario } from "./draw-scenario.js";
import { checkEnd, mayLoseSessions } from "./explanations.js";
import type { Feature } from "./features.js";
import { inspectMemory } from "./inspect-memory.js";
import { Intruders } from "./intruders.js";
import { BrokenPromise, type Ending, Oracle, type Sent } from "./oracle.js";
import { payloadOf, replyTo, sameBytes } from "./payload.js";
import { Keys, scenarioForKeys } from "./protection.js";
import {
  type IntrusionPlan,
  NO_DEADLINE_MS,
  type Scenario,
  type SendPlan,
  type StrokePlan,
} from "./scenario.js";
import { Station, type Tamper } from "./station.js";
import { openTypeScript } from "./station-endpoint.js";
import { Watch } from "./watch.js";

/** What a run is given besides its seed. */
export interface RunOptions {
  /** Called with a line for each datagram and each thing that happens. */
  readonly trace?: (line: string) => void;
  readonly tamper?: Tamper;
  /** Which stations run the endpoint in C; none if left out. */
  readonly boards?: BoardsMode;
  /** What their code is built for. Default `wasm`. */
  readonly boardTarget?: Target;
  /** Stations have keys for each other: all their sessions are protected. */
  readonly isProtected?: boolean;
}

/** What a run that went well can tell. */
export interface RunReport {
  readonly seed: number;
  readonly features: readonly Feature[];
  readonly virtualUs: number;
  readonly datagrams: number;
  readonly messages: number;
  readonly arrivals: number;
  /** How often each promise that shows on the way was put to the test. */
  readonly checks: Watch["checks"];
}

/** Far more than any run needs: a run that gets here goes round in circles. */
const EVENTS_MAX = 2_500_000;
/** Events at one instant: more is a storm on a link that takes no time. */
const SIMULTANEOUS_MAX = 50_000;
/** After the last end: acks on their way, probes, late copies, timers that are left to fire. */
const QUIET_US = 120_000_000;
/** Longer than boards keep what waits for a peer that has gone. */
const QUIET_OF_BOARDS_US = 900_000_000;
/**
 * One run: all that its seed holds.
 * @throws Error - the promise that was broken, the seed, and the command that replays it
 */
export async function runSeed(
  seed: number,
  options: RunOptions & { readonly cut?: Cut } = {},
): Promise<RunReport> {
  const { cut } = options;
  const scenario = cutScenario(drawScenario(seed, cut?.without), cut);
  try {
    return await runScenario(scenario, options);
  } catch (cause) {
    const what = cause instanceof Error ? cause.message : String(cause);
    const command = replayCommand(seed, cut, options);
    throw new Error(`Seed ${seed}: ${what} Replay: ${command}`, { cause });
  }
}

/** @throws BrokenPromise, or whatever else broke */
export function runScenario(scenario: Scenario, options: RunOptions = {}): Promise<RunReport> {
  const { boards, isProtected } = options;
  const played = boards ? scenarioForBoards(scenario, boards) : scenario;
  return new Run(isProtected ? scenarioForKeys(played) : played, options).go();
}

class Run {
  readonly clock = new VirtualClock();
  readonly medium: Medium;
  readonly oracle = new Oracle(() => this.clock.nowUs());
  readonly stations: Station[];
  readonly watch: Watch;
  readonly #intruders: Intruders | undefined;
  #failure: unknown;
  #isHealed = false;
  #isClosing = false;
  #events = 0;
  #instantUs = 0;
  #simultaneous = 0;
  #open = 0;
  #planned: number;

  constructor(
    readonly scenario: Scenario,
    readonly options: RunOptions,
  ) {
    const { clock, oracle } = this;
    const { seed, medium, impairments, stations, paths, features } = scenario;
    this.medium = new Medium({ ...medium, ...impairments, clock, seed });
    const { medium: air } = this;
    const byAddress = new Map(stations.map(({ address }, index) => [String(address), index]));
    const stationAt = (address: Uint8Array) => byAddress.get(String(address)) ?? -1;
    this.watch = new Watch(scenario, oracle, clock, stationAt, (error) => this.#fail(error));
    if (features.has("strangers")) this.#intruders = new Intruders(air);
    const openBoard = boardOpener({
      stations: stations.length,
      hasStrangers: features.has("strangers"),
      isPatient: !features.has("outages") && !features.has("impatience"),
      target: options.boardTarget ?? "wasm",
      isProtected: options.isProtected === true,
    });
    const keys = options.isProtected ? new Keys(seed) : undefined;
    const setting = {
      clock,
      keys,
      oracle,
      seed,
      medium: air,
      watch: this.watch,
      hasReplays: features.has("replays"),
      hasCorruption: features.has("corruption") || features.has("strangers"),
      tamper: options.tamper,
      openerOf: (station: number) =>
        isBoard(options.boards, seed, station) ? openBoard : openTypeScript,
      stationAt,
      fail: (error: unknown) => this.#fail(error),
      isHealed: () => this.#isHealed,
    };
    this.stations = stations.map((plan, index) => new Station(index, plan, setting));
    for (const { from, to, impairments: only } of paths)
      air.setPathImpairments(this.#addressOf(from), this.#addressOf(to), only);
    this.#planned = scenario.sends.length;
    oracle.onUnanswerable = ({ from }) => {
      if (from.endUs === Number.POSITIVE_INFINITY) this.#open--;
    };
  }

  async go(): Promise<RunReport> {
    const onUncaught = (error: unknown) => this.#fail(error);
    process.on("uncaughtException", onUncaught);
    if (this.options.trace) this.#traceAir(this.options.trace);
    try {
      this.#schedule();
      await this.#settle();
      await this.#quiesce();
      await this.#close();
    } finally {
      process.off("uncaughtException", onUncaught);
    }
    const { seed, features } = this.scenario;
    return {
      seed,
      features: [...features],
      virtualUs: this.clock.nowUs(),
      datagrams: this.medium.statistics.carried.datagrams,
      messages: this.oracle.sent.length,
      arrivals: this.oracle.arrivals,
      checks: this.watch.checks,
    };
  }

  #addressOf(station: number): Uint8Array {
    return this.stations[station]?.plan.address ?? new Uint8Array();
  }

  #schedule(): void {
    const { clock, scenario } = this;
    for (const station of this.stations) station.boot();
    // Behind the opening of the endpoints, which takes a turn.
    clock.setTimer(0, () => clock.wakeWaiters());
    for (const plan of scenario.sends) clock.setTimer(plan.atUs + 1, () => this.#send(plan));
    for (const stroke of scenario.strokes)
      clock.setTimer(stroke.atUs + 1, () => this.#strike(stroke));
    for (const intrusion of scenario.intrusions)
      clock.setTimer(intrusion.atUs + 1, () => this.#intrude(intrusion));
    clock.setTimer(scenario.healUs, () => this.#heal());
  }

  #heal(): void {
    this.#isHealed = true;
    this.#say("all faults end");
    const { healed, paths } = this.scenario;
    this.medium.setImpairments(healed);
    for (const { from, to } of paths)
      this.medium.setPathImpairments(this.#addressOf(from), this.#addressOf(to), {});
  }

  #strike({ kind, station: index, deafUs, peer }: StrokePlan): void {
    const station = this.stations[index];
    if (!station) return;
    this.#say(`${kind} at ${index}`);
    if (kind === "close") station.endpoint.peer(this.#addressOf(peer)).close();
    else if (deafUs >= 0) station.radio.restartRadio(deafUs);
    if (kind !== "restart") return;
    // What its callers waited for dies with it.
    for (const sent of this.oracle.sent) {
      if (sent.from === station.incarnation && !sent.end && !sent.isUnanswerable) this.#open--;
      if (sent.kind === "request" && sent.to === index) this.oracle.noteUnanswerable(sent);
    }
    station.boot();
    this.clock.wakeWaiters();
  }

  #intrude(plan: IntrusionPlan): void {
    this.#say(`${plan.kind} at ${plan.station}`);
    const station = this.stations[plan.station] as Station;
    if (plan.kind === "replay") station.replay(plan);
    else this.#intruders?.send(station.plan.address, plan);
    this.clock.wakeWaiters();
  }

  #send(plan: SendPlan): void {
    this.#planned--;
    const { clock, oracle } = this;
    const station = this.stations[plan.from] as Station;
    const nowUs = clock.nowUs();
    const { deadlineMs = NO_DEADLINE_MS } = plan;
    const rank = { bulk: 0, normal: 1, urgent: 2 }[plan.priority];
    const isRequest = plan.kind === "request";
    const sent = oracle.noteSent({
      from: station.incarnation,
      to: plan.to,
      kind: plan.kind,
      bytes: plan.bytes,
      way: plan.way,
      channel: isRequest ? 0 : (plan.channel ?? rank),
      rank,
      atUs: nowUs,
      dueUs: nowUs + deadlineMs * 1000,
      resends: plan.afterRestart === "resend",
      // A protected opening carries no message.
      isHeldBack: plan.firstContact === "handshake" || this.options.isProtected === true,
    });
    this.#open++;
    this.#say(
      `${plan.kind} ${sent.id}: ${plan.from} to ${plan.to}, ${plan.bytes} bytes, ${plan.way} ${sent.channel}, ${plan.priority}`,
    );
    const { priority, afterRestart, firstContact, way, channel } = plan;
    const options = {
      ...{ priority, deadlineMs, afterRestart, firstContact },
      ...(plan.abortAtUs !== undefined && { signal: this.#abortAt(plan.abortAtUs) }),
    };
    const peer = station.endpoint.peer(this.#addressOf(plan.to));
    const payload = payloadOf(sent.id, plan.bytes);
    if (plan.priority === "urgent") this.#expectCommand(station, plan, sent);
    const end = (ending: Ending) => {
      if (sent.from.endUs !== Number.POSITIVE_INFINITY || this.#isClosing) return;
      if (!sent.isUnanswerable) this.#open--;
      this.#noteEnd(plan, sent, ending);
    };
    const onProgress = (progress: { acknowledgedBytes: number; totalBytes: number }) => {
      if (progress.acknowledgedBytes > progress.totalBytes || progress.acknowledgedBytes < 0)
        this.#fail(new BrokenPromise(`Progress of ${progress.acknowledgedBytes} bytes.`));
    };
    const promise = isRequest
      ? peer.request(payload, options).then((reply) => this.#checkReply(sent.id, reply))
      : peer
          .send(payload, { ...options, way, ...(channel !== undefined && { channel }), onProgress })
          .then((receipt) => receipt.outcome);
    promise.then(
      (outcome) => end({ atUs: clock.nowUs(), outcome }),
      (error: unknown) => {
        if (!(error instanceof FardelError)) this.#fail(error);
        else end({ atUs: clock.nowUs(), code: error.code, delivery: error.delivery });
      },
    );
    clock.wakeWaiters();
  }

  /** Promise 8 holds from the call on, if the session is open and nothing else is in the way. */
  #expectCommand(station: Station, plan: SendPlan, sent: Sent): void {
    const mtuBytes = Math.min(...this.stations.map(({ plan: { mtuBytes } }) => mtuBytes));
    this.watch.noteRival(sent, mtuBytes);
    const isMeant = plan.kind === "message" && (plan.way === "ordered" || plan.way === "unordered");
    if (!isMeant || plan.channel !== undefined) return;
    for (const other of this.oracle.openMessages) {
      if (other !== sent && other.from === sent.from && other.rank >= sent.rank) return;
      const isInFront =
        other.to === sent.to && other.way === sent.way && other.channel === sent.channel;
      if (other !== sent && other.from === sent.from && isInFront) return;
    }
    const { endpoint } = station;
    const report = endpoint.peer(this.#addressOf(plan.to)).report();
    if (report?.isVerified && report.phase === "open") this.watch.expectCommand(sent, mtuBytes);
  }

  #checkReply(id: number, reply: Uint8Array): "replied" {
    if (!sameBytes(reply, replyTo(id)))
      throw new BrokenPromise(`The reply to request ${id} is not its own.`);
    return "replied";
  }

  #abortAt(atUs: number): AbortSignal {
    const controller = new AbortController();
    this.clock.setTimer(atUs, () => {
      controller.abort();
      this.clock.wakeWaiters();
    });
    return controller.signal;
  }

  #noteEnd(plan: SendPlan, sent: Sent, ending: Ending): void {
    this.#say(`${sent.kind} ${sent.id} ended: ${ending.outcome ?? ending.code}`);
    try {
      this.oracle.noteEnd(sent, ending);
      this.watch.noteEnd(sent);
      checkEnd(this.scenario, plan, sent, ending);
    } catch (error) {
      this.#fail(error);
    }
  }

  // The end of a run

  get #replies(): number {
    return this.stations.reduce((sum, station) => sum + station.replies, 0);
  }

  async #settle(): Promise<void> {
    const untilUs = this.#settledBy();
    await this.#run(
      untilUs,
      () => this.#open === 0 && this.#planned === 0 && this.#isHealed && this.#replies === 0,
    );
    const open = this.oracle.sent.find(
      (sent) => !sent.end && !sent.isUnanswerable && sent.from.endUs === Number.POSITIVE_INFINITY,
    );
    if (open || this.#open > 0)
      throw new BrokenPromise(
        `${open?.kind} ${open?.id}, sent at ${open?.atUs} µs, has not ended by ${this.clock.nowUs()} µs.`,
      );
    if (this.#replies > 0) throw new BrokenPromise(`${this.#replies} replies have not ended.`);
  }

  /** A generous guess of when everything must be over: each fragment in a round trip of its own. */
  #settledBy(): number {
    const { scenario } = this;
    const { stations, sends, healed } = scenario;
    const share = Math.min(...stations.map(({ config }) => config.airtimeShare ?? 1));
    const mtu = Math.min(...stations.map(({ mtuBytes }) => mtuBytes));
    const fragments = sends.reduce(
      (sum, { bytes }) => sum + 2 + Math.ceil(bytes / Math.max(5, mtu - 10)),
      0,
    );
    const airtimeUs = this.stations[0]?.radio.airtimeUs(mtu) ?? 0;
    const roundTripUs = 2 * ((healed.delayUs ?? 0) + (healed.jitterUs ?? 0)) + 4 * airtimeUs;
    const pausesUs = Math.max(
      0,
      ...stations.flatMap(({ reader }) => reader.pauses.map(([, toUs]) => toUs)),
    );
    const eachUs = roundTripUs / share + 50_000;
    return Math.ceil(Math.max(scenario.healUs, pausesUs) + 600e6 + fragments * eachUs);
  }

  async #quiesce(): Promise<void> {
    const pauses = this.scenario.stations.flatMap(({ reader }) => reader.pauses);
    const readUs = Math.max(this.clock.nowUs(), ...pauses.map(([, toUs]) => toUs));
    const keepsAlive = this.scenario.features.has("keepAlive");
    // Signs of life never end; watching them for minutes shows nothing new.
    const wholeUs = this.options.boards ? QUIET_OF_BOARDS_US : QUIET_US;
    const quietUs = keepsAlive ? wholeUs / 20 : wholeUs;
    await this.#run(readUs + quietUs / 2, () => false);
    const before = this.watch.handedToStations;
    const wasOwed = this.#isOwed;
    await this.#run(readUs + quietUs, () => false);
    const after = this.watch.handedToStations;
    // A request may still be on its way to a station that has restarted.
    if (after > before && !keepsAlive && !wasOwed && !this.#isOwed)
      throw new BrokenPromise(
        `${after - before} datagrams in a minute in which nothing was to be sent.`,
      );
    if (!this.#mayHold()) this.#checkNothingHeld();
    this.oracle.checkAgreement(
      this.stations.flatMap(({ boots }) => boots),
      (station) => (this.stations[station]?.endpoint.heldBytes ?? 0) > 0,
    );
    if (!mayLoseSessions(this.scenario.features) && this.oracle.sessionEnds > 0)
      throw new BrokenPromise("A session has ended, and nobody gave it a reason to.");
  }

  /** A message to a station that has restarted, which nobody waits for any more, is still under way. */
  get #isOwed(): boolean {
    return this.oracle.sent.some(
      ({ end, isUnanswerable, from }) =>
        !end && isUnanswerable && from.endUs === Number.POSITIVE_INFINITY,
    );
  }

  /**
   * Parts of messages wait for a sign that their sender has restarted, which an idle session does not
   * ask for; parts of unacknowledged ones for ten seconds, and runs with keep-alive end before that.
   */
  #mayHold(): boolean {
    const { features } = this.scenario;
    const mayHoldLoose = features.has("loose") && features.has("keepAlive");
    return mayHoldLoose || mayLoseSessions(features);
  }

  #checkNothingHeld(): void {
    for (const { endpoint, index } of this.stations) {
      if (endpoint.heldBytes !== 0)
        throw new BrokenPromise(`Station ${index} holds ${endpoint.heldBytes} bytes of nothing.`);
    }
  }

  async #close(): Promise<void> {
    this.#isClosing = true;
    for (const { endpoint } of this.stations)
      void endpoint.close().catch((error) => this.#fail(error));
    await this.#run(this.clock.nowUs() + 1_000_000, () => false);
  }

  /** @returns whether `until` held before `untilUs` */
  async #run(untilUs: number, until: () => boolean): Promise<void> {
    await this.clock.run({
      untilUs,
      until: () => {
        this.#inspect();
        return this.#failure !== undefined || until();
      },
    });
    if (this.#failure !== undefined) throw this.#failure;
  }

  /** After each event: is anybody's memory over its budget? */
  #inspect(): void {
    const events = ++this.#events;
    const nowUs = this.clock.nowUs();
    this.#simultaneous = nowUs === this.#instantUs ? this.#simultaneous + 1 : 0;
    this.#instantUs = nowUs;
    if (events > EVENTS_MAX || this.#simultaneous > SIMULTANEOUS_MAX)
      throw new BrokenPromise(`${events} events by ${nowUs} µs, and no end.`);
    inspectMemory(this.stations, events);
  }

  #fail(error: unknown): void {
    this.#failure ??= error;
    this.clock.wakeWaiters();
  }

  // Tracing

  #say(what: string): void {
    this.options.trace?.(`${String(this.clock.nowUs()).padStart(12)}  ${what}`);
  }

  #traceAir(trace: (line: string) => void): void {
    this.medium.observe(({ from, to, datagram, fate, copy }) => {
      const way = `${from.at(-1)} > ${to.at(-1)}`;
      const mark = copy ? `${fate} copy` : fate;
      const line = `${way.padEnd(7)} ${mark.padEnd(9)} ${String(datagram.length).padStart(4)}  ${describeDatagram(datagram)}`;
      trace(`${String(this.clock.nowUs()).padStart(12)}  ${line}`);
    });
  }
}
