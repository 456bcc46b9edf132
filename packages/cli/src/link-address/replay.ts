import { createReadStream } from "node:fs";
import { type CapturedDatagram, type ReplayGap, ReplayLink } from "@fardel/capture";
import { formatAddress } from "@fardel/lossy-link";
import { formatUdpAddress } from "@fardel/udp-link";
import type { Context } from "../context.js";
import { fileProblem } from "../explain-error.js";
import { bytes as countBytes, counted } from "../format.js";
import { printable } from "../output.js";
import { EXIT, Problem, usageProblem } from "../problem.js";
import { captured } from "../recording/captured.js";
import type { RecordingHead } from "../recording/format.js";
import { readRecording } from "../recording/reader.js";
import { hardwareAddress } from "./hardware-address.js";
import type { ReplayAddress } from "./link-syntax.js";
import type { OpenLink, SimulationOptions } from "./open-link.js";

/** All of a recording is held: what comes later says what to do now. */
const REPLAY_BYTES_MAX = 256 * 1024 * 1024;
const ADDRESS_BYTES = 6;

/** @throws Problem if the file is not there, is no recording, or is too large */
export async function openReplay(
  { path, speed }: ReplayAddress,
  { clock, output }: Context,
  { peers = [], isOnlyLookedAt = false }: SimulationOptions,
): Promise<OpenLink> {
  const { head, datagrams, damage } = await readAll(path);
  const isUdp = head.link.startsWith("udp:");
  const format = isUdp ? formatUdp : formatAddress;
  const link = new ReplayLink(
    { head, datagrams },
    {
      clock,
      speed,
      hasStandIns: !isOnlyLookedAt,
      hasKeys: (address) =>
        peers.some((peer) => peer.keys.length > 0 && format(peer.address) === format(address)),
    },
  );
  if (!isOnlyLookedAt) for (const gap of link.gaps) output.err(`${gapWords(gap, format)}\n`);
  if (damage > 0) output.err(`${counted(damage, "place")} of the recording could not be read.\n`);
  const ended = new AbortController();
  void link.finished.then(() => ended.abort());
  const fast = speed === 1 ? "" : `, ${speed} times as fast`;
  return {
    link,
    describe: `${printable(path)}, played${fast}: ${printable(head.link)} of ${head.startedAt.toISOString()}`,
    ended: ended.signal,
    random: link.random,
    parseAddress: async (text) => hardwareAddress(text, ADDRESS_BYTES),
    formatAddress: format,
    close: async () => link.close(),
  };
}

/** Those that answer nobody's wishes. @throws Problem */
export function refuseReplay(link: string, command: string): void {
  if (!link.startsWith("replay:")) return;
  throw usageProblem(
    `A recording answers nobody: fardel ${command} needs a link. Recordings can be played to receive, monitor and trace.`,
    "bad-link",
  );
}

async function readAll(path: string): Promise<{
  readonly head: RecordingHead;
  readonly datagrams: readonly CapturedDatagram[];
  readonly damage: number;
}> {
  const recording = await readRecording(bytesOf(path), path);
  const { localAddress } = recording.head;
  const datagrams: CapturedDatagram[] = [];
  let damage = 0;
  for await (const item of recording.items()) {
    if (item.type === "datagram") datagrams.push(captured(item.datagram, localAddress));
    else if (item.type === "damaged") damage++;
  }
  return { head: recording.head, datagrams, damage };
}

async function* bytesOf(path: string): AsyncGenerator<Uint8Array, void, undefined> {
  let size = 0;
  try {
    for await (const piece of createReadStream(path)) {
      size += piece.length;
      if (size > REPLAY_BYTES_MAX) throw tooLarge(path);
      yield piece;
    }
  } catch (error) {
    throw error instanceof Problem ? error : fileProblem(path, error);
  }
}

function tooLarge(path: string): Problem {
  const sentence = `${path} has more than ${countBytes(REPLAY_BYTES_MAX)}, the most that is played. Take a piece of it: fardel trace ${path} --from 1h --to 2h --record piece.pcapng.`;
  return new Problem(EXIT.usage, "recording-too-large", sentence);
}

function formatUdp(address: Uint8Array): string {
  const isUdp = address.length === 6 || address.length === 18;
  return isUdp ? formatUdpAddress(address) : formatAddress(address);
}

const GAP_WORDS: Readonly<Record<ReplayGap["why"], string>> = {
  protected: "cannot be read without the key of its pair: name the store with --store",
  "protected-opened-here":
    "cannot be played: the side that recorded opened this protected session itself",
  "began-before": "cannot be played: the session began before the recording did",
  "unknown-sender": "cannot be played: the recording does not say who sent them",
};

function gapWords({ why, peer, datagrams }: ReplayGap, format: (address: Uint8Array) => string) {
  const from = peer ? ` from ${printable(format(peer))}` : "";
  return `${counted(datagrams, "datagram")}${from} ${GAP_WORDS[why]}.`;
}
