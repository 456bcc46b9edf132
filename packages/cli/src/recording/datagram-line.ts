import type { Address, SendOutcome } from "@fardel/core";
import { bytes as countBytes } from "../format.js";
import { printable } from "../output.js";
import { pad } from "../render.js";
import { datagramWords } from "./datagram-words.js";
import type { RecordedDatagram } from "./format.js";

const OUTCOME_WORDS: Readonly<Record<SendOutcome, string>> = {
  sent: "sent",
  acknowledged: "acknowledged",
  "not-acknowledged": "NOT acknowledged",
  refused: "REFUSED",
  gone: "GONE",
};

const TIME_WIDTH = 12;
const SIZE_WIDTH = 10;
/** That of the longest outcome. */
const SIGNAL_WIDTH = 16;

/**
 * A datagram as a line of text. Pure.
 *
 * `    0.903412  from 02:00:00:00:00:0b    27 bytes  -61 dBm ch 6      short #…1a2b ask now · …`
 *
 * @param formatAddress - how addresses of this link are written
 */
export function datagramLine(
  datagram: RecordedDatagram,
  formatAddress: (address: Address) => string,
): string {
  const { atUs, bytes } = datagram;
  return [
    pad(seconds(atUs), TIME_WIDTH, true),
    endsWords(datagram, (address) => printable(formatAddress(address))),
    pad(countBytes(bytes.length), SIZE_WIDTH, true),
    pad(signalWords(datagram), SIGNAL_WIDTH),
    datagramWords(bytes).text,
  ].join("  ");
}

/** Of one that passed between others: both ends. */
function endsWords(
  { direction, peer, to }: RecordedDatagram,
  formatAddress: (address: Address) => string,
): string {
  if (direction === "sent") return `to   ${formatAddress(peer)}`;
  const from = `from ${formatAddress(peer)}`;
  return direction === "overheard" && to ? `${from} to ${formatAddress(to)}` : from;
}

/** `12.034500`: so that lines stand below each other. */
export function seconds(us: number): string {
  if (us < 0) return `-${seconds(-us)}`;
  return `${Math.floor(us / 1e6)}.${String(us % 1e6).padStart(6, "0")}`;
}

function signalWords(datagram: RecordedDatagram): string {
  const { direction, outcome, fate, rssiDbm, radioChannel } = datagram;
  if (direction === "sent") return outcome === undefined ? "" : OUTCOME_WORDS[outcome];
  const words: string[] = fate === undefined ? [] : [printable(fate)];
  if (rssiDbm !== undefined) words.push(`${Math.round(rssiDbm)} dBm`);
  if (radioChannel !== undefined) words.push(`ch ${radioChannel}`);
  return words.join(" ");
}
