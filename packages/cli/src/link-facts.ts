import type { PeerReport } from "@fardel/core";
import { count, counted, duration, percent } from "./format.js";

/** What a session with a key is. */
export const PROTECTED_WORDS = "encrypted and authenticated, with the key of this pair";

/** What the way to a peer was like, line by line: a name, and what there is to say. */
export function linkFacts(report: PeerReport): (readonly [name: string, fact: string])[] {
  const { roundTripUs, roundTripVariationUs = 0, lossRate, rssiDbm, radioChannel } = report;
  const sent = report.fragmentsSent + report.fragmentsRepeated;
  const facts: [string, string][] = [
    [
      "datagrams",
      `${count(report.datagramsSent)} sent, ${count(report.datagramsReceived)} received`,
    ],
    ["fragments", `${count(sent)} sent, ${count(report.fragmentsRepeated)} of them again`],
  ];
  if (lossRate !== undefined) facts.push(["loss", percent(lossRate)]);
  if (roundTripUs !== undefined) {
    facts.push(["round trip", `${duration(roundTripUs)} ± ${duration(roundTripVariationUs)}`]);
  }
  if (rssiDbm !== undefined) facts.push(["signal", `${rssiDbm.toFixed(0)} dBm`]);
  if (radioChannel !== undefined) facts.push(["channel", String(radioChannel)]);
  if (report.corruptDatagrams > 0) {
    facts.push(["damaged", `${counted(report.corruptDatagrams, "datagram")} received damaged`]);
  }
  if (report.sendsRefused > 0) {
    facts.push([
      "refused",
      `${counted(report.sendsRefused, "datagram")}: the link's queue was full`,
    ]);
  }
  facts.push([
    "protection",
    report.isProtected
      ? PROTECTED_WORDS
      : "none: not protected, neither encrypted nor authenticated",
  ]);
  return facts;
}

/** Names in a column of their own. */
export function renderFacts(facts: readonly (readonly [name: string, fact: string])[]): string {
  const width = Math.max(...facts.map(([name]) => name.length));
  return facts.map(([name, fact]) => `  ${name.padEnd(width)}  ${fact}\n`).join("");
}

/** The same for `--json`. */
export function linkObject(report: PeerReport): Record<string, unknown> {
  const { address: _, ...figures } = report;
  return figures;
}
