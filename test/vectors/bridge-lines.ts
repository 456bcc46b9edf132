/** Bytes on a line: frames, damage and noise. BRIDGE.md, sections 2 and 3. */
import { type BridgeLineVector, type Framing, onLine } from "./bridge-vector.js";
import { bytesOf, hexOf, plain } from "./vector.js";

const GOODBYE = "07";
const STATUS = "0501";
const STATION = "020000000011";
const AGAIN = "030841";
/** "boot: rev 3", carriage return, line feed. */
const CHATTER = "626f6f743a2072657620330d0a";

interface Found {
  readonly bodies?: readonly string[];
  readonly damaged?: number;
  readonly tooLong?: number;
  readonly framing?: Framing;
  readonly bodyBytesMax?: number;
  readonly impliedHex?: string;
  readonly section?: string;
}

function line(name: string, hex: string, found: Found): BridgeLineVector {
  const { framing = "cobs", bodyBytesMax = 258, section = "2", impliedHex } = found;
  return {
    name,
    section,
    framing,
    bodyBytesMax,
    ...(impliedHex !== undefined && { impliedHex }),
    lineHex: plain(hex),
    bodiesHex: found.bodies ?? [],
    damaged: found.damaged ?? 0,
    tooLong: found.tooLong ?? 0,
  };
}

const goodbye = onLine(GOODBYE, "cobs");
const status = onLine(STATUS, "cobs");
const slipGoodbye = onLine(GOODBYE, "slip");

/** The byte at `at` changed by `mask`. */
function flipped(hex: string, at: number, mask: number): string {
  return hexOf(bytesOf(hex).map((byte, index) => (index === at ? byte ^ mask : byte)));
}

const cobsLines = [
  line("one frame", goodbye, { bodies: [GOODBYE] }),
  line("a delimiter in front", `00 ${goodbye}`, { bodies: [GOODBYE] }),
  line("one delimiter between two frames", `00 ${goodbye} ${status}`, {
    bodies: [GOODBYE, STATUS],
  }),
  line("many delimiters: nothing between two is ignored", `0000 ${goodbye} 000000 ${status} 00`, {
    bodies: [GOODBYE, STATUS],
  }),
  line("a frame that has not ended", `00 ${goodbye} ${status.slice(0, -2)}`, { bodies: [GOODBYE] }),
  line("noise that a delimiter ends", `${CHATTER} 00 ${goodbye}`, {
    bodies: [GOODBYE],
    damaged: 1,
  }),
  line("noise right before a frame: the frame is lost with it", `${CHATTER} ${goodbye} ${status}`, {
    bodies: [STATUS],
    damaged: 1,
  }),
  line("a byte flipped", `00 ${flipped(goodbye, 1, 0x10)} ${status}`, {
    bodies: [STATUS],
    damaged: 1,
  }),
  line("a length of COBS flipped", `00 ${flipped(goodbye, 0, 0x10)} ${status}`, {
    bodies: [STATUS],
    damaged: 1,
  }),
  line("a byte lost", `00 ${goodbye.slice(0, 2)}${goodbye.slice(4)} ${status}`, {
    bodies: [STATUS],
    damaged: 1,
  }),
  line("a byte put in", `00 ${goodbye.slice(0, 4)}55${goodbye.slice(4)} ${status}`, {
    bodies: [STATUS],
    damaged: 1,
  }),
  line(
    "a byte that became a delimiter",
    `00 ${goodbye.slice(0, 2)}00${goodbye.slice(4)} ${status}`,
    {
      bodies: [STATUS],
      damaged: 2,
    },
  ),
  line("a delimiter lost: both neighbours are", `00 ${goodbye.slice(0, -2)}${status} ${goodbye}`, {
    bodies: [GOODBYE],
    damaged: 1,
  }),
  line("a CRC most significant byte first", `00 ${swapped(goodbye)} ${status}`, {
    bodies: [STATUS],
    damaged: 1,
  }),
  // The CRC-16 of nothing is 0000.
  line("a body of no bytes, its CRC right", "01 01 01 00", { damaged: 1 }),
  line("one byte between delimiters", "01 00 02 11 00", { damaged: 2 }),
  line("the longest body", onLine("55".repeat(30), "cobs"), {
    bodies: ["55".repeat(30)],
    bodyBytesMax: 30,
  }),
  line("a body that is one byte too long", `${onLine("55".repeat(31), "cobs")} ${goodbye}`, {
    bodies: [GOODBYE],
    tooLong: 1,
    bodyBytesMax: 30,
  }),
  line("far too long, counted once", `${"55".repeat(700)} 00 ${goodbye}`, {
    bodies: [GOODBYE],
    tooLong: 1,
    bodyBytesMax: 30,
  }),
  // 252 bytes of body and 2 of CRC, none of them zero; the end is one group, or one and an empty one.
  line("254 bytes, told in one group", onLine("55".repeat(252), "cobs"), {
    bodies: ["55".repeat(252)],
  }),
  line(
    "254 bytes, with an empty group behind",
    `${onLine("55".repeat(252), "cobs").slice(0, -2)} 01 00`,
    { bodies: ["55".repeat(252)] },
  ),
  line("an address is implied", onLine(AGAIN, "cobs", STATION), {
    section: "3",
    bodies: [AGAIN],
    impliedHex: STATION,
  }),
  line("another address is implied", `${onLine(AGAIN, "cobs", STATION)} ${goodbye}`, {
    section: "3",
    bodies: [GOODBYE],
    damaged: 1,
    impliedHex: "020000000012",
  }),
  line("no address is implied", `${onLine(AGAIN, "cobs", STATION)} ${goodbye}`, {
    section: "3",
    bodies: [GOODBYE],
    damaged: 1,
  }),
  line("an implied address changes nothing for other types", goodbye, {
    section: "3",
    bodies: [GOODBYE],
    impliedHex: STATION,
  }),
];

/** The two bytes of the CRC, in front of the delimiter, the other way round; neither is zero. */
function swapped(hex: string): string {
  return `${hex.slice(0, -6)}${hex.slice(-4, -2)}${hex.slice(-6, -4)}${hex.slice(-2)}`;
}

const slipLines = [
  line("SLIP, one frame", `c0 ${slipGoodbye}`, { framing: "slip", bodies: [GOODBYE] }),
  line("SLIP, noise", `${CHATTER} c0 ${slipGoodbye}`, {
    framing: "slip",
    bodies: [GOODBYE],
    damaged: 1,
  }),
  line("SLIP, an escape that does not exist", `db11 ${slipGoodbye} ${slipGoodbye}`, {
    framing: "slip",
    bodies: [GOODBYE],
    damaged: 1,
  }),
  line("SLIP, an escape at the end", `0755db c0 ${slipGoodbye}`, {
    framing: "slip",
    bodies: [GOODBYE],
    damaged: 1,
  }),
  line("SLIP, the longest body, all of it escaped", onLine("c0".repeat(30), "slip"), {
    framing: "slip",
    bodies: ["c0".repeat(30)],
    bodyBytesMax: 30,
  }),
  line(
    "SLIP, a body that is one byte too long, nothing escaped",
    `${onLine("55".repeat(31), "slip")} ${slipGoodbye}`,
    { framing: "slip", bodies: [GOODBYE], tooLong: 1, bodyBytesMax: 30 },
  ),
];

export const bridgeLineVectors = [...cobsLines, ...slipLines];
