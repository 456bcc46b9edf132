import type { BridgeFacts } from "../bridge-frames.js";
import { SerialBridgeError } from "../errors.js";
import type { ConnectionEnd } from "./connection.js";
import { OUR_VERSIONS } from "./greeting.js";
import type { Versions } from "./host-events.js";

/** What was tried in vain, and what was heard meanwhile. */
export interface VainSearch {
  readonly label: string;
  /** Rates that the owner wants, and rates that were tried to be able to say more; empty without rates. */
  readonly wanted: readonly number[];
  readonly others: readonly number[];
  /** Where a bridge answered although the owner wants another rate. */
  readonly answeredAt: number | undefined;
  readonly heardBytes: number;
  readonly heardFrames: number;
  /** Of what was no frame, the last line. */
  readonly lastText: string | undefined;
  readonly framing: string;
}

export function noAnswer(search: VainSearch): SerialBridgeError {
  const { label, wanted, others, answeredAt } = search;
  const at = wanted.length > 0 ? ` at ${listed(wanted)} baud` : "";
  const also = others.length > 0 ? `; tried also ${listed(others)}` : "";
  const what = answeredAt === undefined ? heard(search) : found(answeredAt);
  return new SerialBridgeError("no-answer", `No bridge answered on ${label}${at}${also}. ${what}`);
}

function found(bitRate: number): string {
  return `One answers at ${bitRate} baud: set bitRate to it.`;
}

/** Characters of a line of text that an error quotes. */
const QUOTED_MAX = 60;

function heard({ heardBytes, heardFrames, lastText, framing }: VainSearch): string {
  if (heardBytes === 0) {
    return "Nothing was heard. Check that it is the right port, that the board has power, and that it runs a bridge program.";
  }
  if (heardFrames > 0) {
    return `${counted(heardFrames, "frame")} came, but no answer. Does the board hear us? Check the wire to it.`;
  }
  const quoted = lastText === undefined ? "" : ` The last text was "${cut(lastText)}".`;
  return `${counted(heardBytes, "byte")} came, but no frame. The board may run another program, have another bit rate, or not frame with ${framing}: see the options bitRate and framing.${quoted}`;
}

export function versionMismatch(label: string, theirs: Versions): SerialBridgeError {
  const isNewer = theirs.versionMin > OUR_VERSIONS.versionMax;
  const advice = isNewer ? "Update this library" : "Put a newer bridge program on the board";
  return new SerialBridgeError(
    "version-mismatch",
    `The bridge on ${label} speaks ${versions(theirs)} of the bridge protocol, this library ${versions(OUR_VERSIONS)}. ${advice}.`,
  );
}

/** What makes the next session impossible for a link that is open; `undefined` if nothing does. */
export function bridgeChanged(
  label: string,
  mtuBytes: number,
  addressBytes: number,
  facts: BridgeFacts,
): SerialBridgeError | undefined {
  const advice = "Connect anew to use it";
  if (facts.mtuBytes < mtuBytes) {
    return new SerialBridgeError(
      "bridge-changed",
      `The bridge on ${label} now carries ${facts.mtuBytes} bytes at most, before ${mtuBytes}: is it another board? ${advice}.`,
    );
  }
  if (facts.address.length === addressBytes) return undefined;
  return new SerialBridgeError(
    "bridge-changed",
    `The bridge on ${label} now has addresses of ${facts.address.length} bytes, before ${addressBytes}: is it another board? ${advice}.`,
  );
}

/** Why the link went down, for people. */
export function downSentence(label: string, end: ConnectionEnd): string {
  switch (end.why) {
    case "port-closed":
      return `The port ${label} is gone: ${end.sentence}`;
    case "stalled":
      return `The port ${label} takes no more bytes.`;
    case "silent":
      return `The bridge on ${label} has fallen silent.`;
    case "no-answer":
      return `The bridge on ${label} does not say HELLO.`;
    case "version-mismatch":
      return `The bridge on ${label} speaks another version.`;
  }
}

function versions({ versionMin, versionMax }: Versions): string {
  return versionMin === versionMax
    ? `version ${versionMin}`
    : `versions ${versionMin} to ${versionMax}`;
}

function cut(text: string): string {
  return text.length <= QUOTED_MAX ? text : `${text.slice(0, QUOTED_MAX - 1)}…`;
}

function counted(count: number, what: string): string {
  return `${count} ${what}${count === 1 ? "" : "s"}`;
}

/** `1, 2 and 3`. */
function listed(numbers: readonly number[]): string {
  const last = numbers.at(-1);
  const rest = numbers.slice(0, -1);
  return rest.length === 0 ? `${last}` : `${rest.join(", ")} and ${last}`;
}
