import { basename } from "node:path";
import { FardelError } from "@fardel/core";
import { DUPLICATION_RATE, REORDERING_RATE, shortestUs } from "./channel.js";
import type { DemoOptions } from "./options.js";
import { count, counted, milliseconds, percent, seconds } from "./text.js";
import type { Arrival, Outcome } from "./transfer.js";

const LABEL_COLUMNS = 16;

/** What is about to happen. */
export function describePlan(file: string, bytes: number, isSample: boolean, options: DemoOptions) {
  const { lossRate, burstDatagrams, datagramBytes, window, seed, speed } = options;
  const what = isSample ? "an orchard's frost watch, invented data" : "your file";
  const runs =
    burstDatagrams * (1 - lossRate) <= 1
      ? ""
      : ` (in runs of ${plain(burstDatagrams)} on the average)`;
  return `A gateway pushes ${basename(file)} to a board: ${what}, ${count(bytes)} bytes.
Link: 1 Mbit/s, half-duplex, datagrams of at most ${datagramBytes} bytes, window ${window}.
Each way ${plain(100 * lossRate)} % are lost${runs}, ${plain(100 * DUPLICATION_RATE)} % arrive twice, ${plain(100 * REORDERING_RATE)} % late.
Seed ${seed}, ${speed === "real" ? "real" : "simulated"} time.

`;
}

/** What a person wants to know afterwards. */
export function describeOutcome(outcome: Outcome, options: DemoOptions): string {
  const { arrival, medium } = outcome;
  const lines: [label: string, ...text: string[]][] = [
    arrivedWhole(outcome),
    ...(arrival ? [time(outcome, arrival, options), airtime(arrival)] : []),
    [
      "Datagrams",
      `gateway ${count(outcome.gatewayDatagrams)}, board ${count(outcome.boardDatagrams)}`,
    ],
    ...(outcome.end instanceof FardelError
      ? []
      : [
          [
            "Blob",
            `${counted(outcome.end.fragmentsSent, "fragment")} sent, ${count(outcome.end.fragmentsRepeated)} sent again`,
          ] as [string, string],
        ]),
    [
      "On the way",
      `${count(medium.lost.datagrams)} of ${counted(medium.carried.datagrams, "datagram")} lost` +
        ` (${percent(medium.lost.datagrams, medium.carried.datagrams)}), ` +
        `${count(medium.unheard.datagrams + medium.truncated.datagrams)} more while the radio was off,`,
      `${count(medium.duplicated.datagrams)} arrived twice`,
    ],
    command(outcome),
    readings("Temperatures", outcome.temperatures, outcome.received.temperatures),
    readings("Fan reports", outcome.switchings, outcome.received.switchings),
  ];
  if (options.speed === "real") {
    lines.push([
      "Note",
      "the timers of this machine are coarser than a frame is long; the",
      "channel's own figures come with --speed fast",
    ]);
  }
  const text = lines.flatMap(([label, ...rest]) =>
    rest.map((part, index) => `${(index === 0 ? label : "").padEnd(LABEL_COLUMNS)}${part}\n`),
  );
  return `\n${text.join("")}`;
}

/** Whether the board holds what was sent. */
export function isWhole({ arrival, hash }: Outcome): boolean {
  return arrival?.hash === hash;
}

function arrivedWhole(outcome: Outcome): [string, ...string[]] {
  const { arrival, hash, end } = outcome;
  const verdict = isWhole(outcome)
    ? ["yes, SHA-256 of both sides the same:", hash]
    : arrival
      ? ["NO, it differs. SHA-256 sent and arrived:", hash, arrival.hash]
      : ["NO, nothing was delivered"];
  if (end instanceof FardelError) {
    verdict.push(`the gateway was told ${end.code}, delivery ${end.delivery}:`, end.message);
  }
  return ["Arrived whole", ...verdict];
}

function time(outcome: Outcome, arrival: Arrival, options: DemoOptions): [string, ...string[]] {
  const { blobBytes, fullFrameUs } = outcome;
  const { datagramBytes, lossRate } = options;
  if (blobBytes === 0 || lossRate === 1) return ["Time", seconds(arrival.atUs)];
  const limitUs = shortestUs(blobBytes, datagramBytes, fullFrameUs, lossRate);
  return [
    "Time",
    `${seconds(arrival.atUs)}, ${percent(limitUs, arrival.atUs)} of the channel's capacity: its limit is ${seconds(limitUs)},`,
    `${datagramBytes} bytes per ${count(fullFrameUs)} µs (a full frame on air), of which ${plain(100 * (1 - lossRate))} % get through,`,
    "and no byte or moment for anything else",
  ];
}

function airtime({ atUs, gatewayAirUs, boardAirUs, radioOffUs }: Arrival): [string, string] {
  return [
    "Air until then",
    `gateway ${percent(gatewayAirUs, atUs)} of the time, board ${percent(boardAirUs, atUs)}; ` +
      `the radio was off for ${milliseconds(radioOffUs)}`,
  ];
}

function command({
  command: { sentUs, arrivedUs, acknowledgedBytes, end },
  blobBytes,
}: Outcome): [string, ...string[]] {
  if (arrivedUs === undefined) {
    const code = end instanceof FardelError ? end.code : end.outcome;
    return ["Command", `sent at ${seconds(sentUs)}, did not arrive: ${code}`];
  }
  return [
    "Command",
    `sent at ${seconds(sentUs)}, arrived ${milliseconds(arrivedUs - sentUs)} later, when ` +
      `${percent(acknowledgedBytes, blobBytes)} of the blob was acknowledged`,
  ];
}

function readings(
  label: string,
  counts: Outcome["temperatures"],
  received: number,
): [string, string] {
  const { sent, failed } = counts;
  // One that was replaced may have arrived all the same: what counts is what the gateway has seen.
  const gaveWay = Math.max(0, sent - received - failed);
  const notes = [
    ...(gaveWay > 0 ? [`, ${count(gaveWay)} gave way to newer ones`] : []),
    ...(failed > 0 ? [`, ${count(failed)} failed`] : []),
  ];
  return [label, `${count(sent)} sent, ${count(received)} arrived${notes.join("")}`];
}

/** A number without zeros at its end. */
function plain(value: number): string {
  return String(Number(value.toFixed(2)));
}
