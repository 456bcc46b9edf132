import type { Address } from "@fardel/core";
import { type Preset, presets } from "@fardel/lossy-link";
import { InvalidArgumentError } from "commander";
import { durationUs, share, wholeNumber } from "../option-values.js";
import { parseHardwareAddress } from "./hardware-address.js";
import { badLink, readParameters } from "./parameters.js";

/** A board on a serial port, or one whose line is served over TCP. */
export interface SerialAddress {
  readonly kind: "serial";
  readonly port: { readonly path: string } | { readonly host: string; readonly port: number };
  /** Bits per second; without it the usual ones are tried. */
  readonly bitRate?: number;
  readonly framing: "cobs" | "slip";
}

/** The local end of UDP. */
export interface UdpAddress {
  readonly kind: "udp";
  readonly host: string;
  /** 0: any that is free. */
  readonly port: number;
  readonly mtuBytes?: number;
  readonly broadcast?: { readonly address: string; readonly port?: number };
}

/** A simulated channel in this process, and the boards at its other end. */
export interface LossyAddress {
  readonly kind: "lossy";
  readonly preset: keyof typeof presets;
  readonly seed: number;
  /** Share of datagrams lost, 0 to 1. */
  readonly loss: number;
  /** Mean length of a burst of losses, datagrams; `undefined`: each is lost for itself. */
  readonly burst?: number;
  readonly duplicate: number;
  readonly corrupt: number;
  readonly delayUs: number;
  readonly mtuBytes?: number;
  /** Metres to the first board, with signal strengths; `undefined`: none. */
  readonly distanceM?: number;
  /** Metres from each board to the next one, away from the gateway. */
  readonly spacingM: number;
  /** Address of the first board; further ones count up from it. */
  readonly board: Address;
  readonly boards: number;
  /** Radio channels of the boards, in turn; the gateway is on the first. `undefined`: there are no channels. */
  readonly radioChannels?: readonly number[];
  /** Time between two readings that each board sends by itself; `undefined`: none. */
  readonly everyUs?: number;
}

/** A recording that is played: what was received then is received again. */
export interface ReplayAddress {
  readonly kind: "replay";
  /** A file that was written with `--record`, of either format. */
  readonly path: string;
  /** How many times as fast as it was. */
  readonly speed: number;
}

export type LinkAddress = SerialAddress | UdpAddress | LossyAddress | ReplayAddress;

/** For help and errors. */
export const LINK_FORMS = [
  "serial:PATH[?baud=115200&framing=cobs]",
  "serial:tcp://HOST:PORT",
  "udp:[HOST][:PORT][?mtu=250&broadcast=ADDRESS[:PORT]]",
  "lossy:[loss=0.2,seed=3,…]",
  "replay:FILE[,speed=10]",
] as const;

/**
 * Take the text of `--link` apart. Opens nothing.
 * @throws Problem that says which part is wrong and what is allowed
 */
export function parseLink(text: string): LinkAddress {
  const colon = text.indexOf(":");
  const rest = text.slice(colon + 1);
  switch (colon < 0 ? "" : text.slice(0, colon)) {
    case "serial":
      return parseSerial(text, rest);
    case "udp":
      return parseUdp(text, rest);
    case "lossy":
      return parseLossy(text, rest);
    case "replay":
      return parseReplay(text, rest);
    default:
      throw badLink(
        text,
        `it must begin with serial:, udp:, lossy: or replay:. Forms: ${LINK_FORMS.join("  ")}`,
      );
  }
}

/** `rest?name=value&name=value` */
function splitQuery(text: string): { readonly rest: string; readonly pairs: string[] } {
  const at = text.indexOf("?");
  if (at < 0) return { rest: text, pairs: [] };
  return { rest: text.slice(0, at), pairs: text.slice(at + 1).split("&") };
}

const SERIAL_READERS = {
  baud: wholeNumber(300, 10_000_000),
  framing: oneOf("cobs", "slip"),
};

function parseSerial(link: string, text: string): SerialAddress {
  const { rest, pairs } = splitQuery(text);
  const { baud, framing = "cobs" } = readParameters(link, pairs, SERIAL_READERS);
  if (rest === "") {
    throw badLink(link, "the path of the port is missing: serial:PATH. See fardel ports");
  }
  const port = rest.startsWith("tcp:") ? parseTcp(link, rest) : { path: rest };
  return { kind: "serial", port, framing, ...(baud !== undefined && { bitRate: baud }) };
}

function parseTcp(link: string, text: string): { readonly host: string; readonly port: number } {
  const match = /^tcp:\/\/(?:\[([^\]]+)\]|([^:/[\]]+)):(\d{1,5})$/.exec(text);
  const port = Number(match?.[3]);
  const host = match?.[1] ?? match?.[2];
  if (host === undefined || !(port >= 1 && port <= 65535)) {
    throw badLink(link, `${text} is not tcp://HOST:PORT with a port from 1 to 65535`);
  }
  return { host, port };
}

const UDP_READERS = { mtu: wholeNumber(20, 65_507), broadcast: broadcastAddress };

/** Every network of this computer, IPv4. */
const ANY_HOST = "0.0.0.0";

function parseUdp(link: string, text: string): UdpAddress {
  const { rest, pairs } = splitQuery(text);
  const { mtu, broadcast } = readParameters(link, pairs, UDP_READERS);
  const match = /^(?:\[([^\]]+)\]|([^:[\]]*))(?::(\d{1,5}))?$/.exec(rest);
  if (!match) {
    throw badLink(link, `${rest} is not HOST:PORT, such as 127.0.0.1:7400, [::1]:7400 or :7400`);
  }
  const port = Number(match[3] ?? 0);
  if (port > 65535) throw badLink(link, `the port ${port} is not 0 to 65535`);
  const given = match[1] ?? match[2] ?? "";
  const host = given === "localhost" ? "127.0.0.1" : given || ANY_HOST;
  return {
    kind: "udp",
    host,
    port,
    ...(mtu !== undefined && { mtuBytes: mtu }),
    ...(broadcast !== undefined && { broadcast }),
  };
}

function broadcastAddress(text: string): { readonly address: string; readonly port?: number } {
  const match = /^(\d+\.\d+\.\d+\.\d+)(?::(\d{1,5}))?$/.exec(text);
  if (!match)
    throw new InvalidArgumentError("Give an address such as 192.168.1.255, or 192.168.1.255:7400.");
  const [, address = "", port] = match;
  return port === undefined ? { address } : { address, port: Number(port) };
}

const BOARDS_MAX = 1000;
/** As many as a bridge can be told to use; BRIDGE.md. */
const RADIO_CHANNEL_MAX = 255;
/** Metres: as far as it is from one row of trees to the next. */
const SPACING_M = 5;

const LOSSY_READERS = {
  loss: share,
  burst: numberFrom(1, 10_000),
  duplicate: share,
  corrupt: share,
  delay: durationUs,
  seed: wholeNumber(0, Number.MAX_SAFE_INTEGER),
  preset: oneOf(...(Object.keys(presets) as (keyof typeof presets)[])),
  mtu: wholeNumber(20, 65_535),
  distance: numberFrom(0.1, 100_000),
  spacing: numberFrom(0, 100_000),
  channels: radioChannels,
  board: boardAddress,
  boards: wholeNumber(1, BOARDS_MAX),
  every: durationUs,
};

function parseLossy(link: string, text: string): LossyAddress {
  const given = readParameters(link, text === "" ? [] : text.split(","), LOSSY_READERS);
  const { loss = 0, burst, mtu, distance, every, channels } = given;
  if (burst !== undefined && loss === 1) {
    throw badLink(link, "with loss=1 there are no bursts. Leave burst out, or lower loss");
  }
  if (burst !== undefined && loss / (1 - loss) > burst) {
    const least = Math.ceil(loss / (1 - loss));
    throw badLink(link, `losses of ${loss} come in longer bursts. Give burst=${least} or more`);
  }
  return {
    kind: "lossy",
    preset: given.preset ?? "reference",
    seed: given.seed ?? 1,
    loss,
    duplicate: given.duplicate ?? 0,
    corrupt: given.corrupt ?? 0,
    delayUs: given.delay ?? 0,
    board: given.board ?? Uint8Array.of(2, 0, 0, 0, 0, 2),
    boards: given.boards ?? 1,
    spacingM: given.spacing ?? SPACING_M,
    ...(burst !== undefined && { burst }),
    ...(mtu !== undefined && { mtuBytes: mtu }),
    ...(distance !== undefined && { distanceM: distance }),
    ...(channels !== undefined && { radioChannels: channels }),
    ...(every !== undefined && { everyUs: every }),
  };
}

function boardAddress(text: string): Address {
  const address = parseHardwareAddress(text, 6);
  const first = address?.[0] ?? 1;
  // The lowest bit of the first byte marks a group (IEEE 802).
  if (address && (first & 1) === 0) return address;
  throw new InvalidArgumentError(
    "Give 6 bytes with colons, the first one even: 02:00:00:00:00:02.",
  );
}

/** `1+6+11`: commas are taken. */
function radioChannels(text: string): number[] {
  const channels = text.split("+").map((each) => (/^\d{1,3}$/.test(each) ? Number(each) : 0));
  if (channels.every((channel) => channel >= 1 && channel <= RADIO_CHANNEL_MAX)) return channels;
  throw new InvalidArgumentError(
    `Give radio channels from 1 to ${RADIO_CHANNEL_MAX}, such as 6, or 1+6+11.`,
  );
}

function numberFrom(min: number, max: number): (text: string) => number {
  return (text) => {
    const value = /^\d+(?:\.\d+)?$/.test(text) ? Number(text) : Number.NaN;
    if (value >= min && value <= max) return value;
    throw new InvalidArgumentError(`Give a number from ${min} to ${max}.`);
  };
}

function oneOf<T extends string>(...words: readonly T[]): (text: string) => T {
  return (text) => {
    const word = words.find((known) => known === text);
    if (word !== undefined) return word;
    throw new InvalidArgumentError(`Give one of ${words.join(", ")}.`);
  };
}

/** Slower than it was, parts of messages would be given up that were not then. */
const REPLAY_READERS = { speed: numberFrom(1, 100_000) };

/** Commas in the name of the file are taken, unless `name=` follows. */
function parseReplay(link: string, text: string): ReplayAddress {
  const [, path = "", rest = ""] = /^(.*?)((?:,[a-z]+=[^,]*)*)$/s.exec(text) ?? [];
  if (path === "") throw badLink(link, "the file is missing: replay:FILE");
  const pairs = rest === "" ? [] : rest.slice(1).split(",");
  return { kind: "replay", path, speed: readParameters(link, pairs, REPLAY_READERS).speed ?? 1 };
}

/** The settings of the medium that a link describes, but for impairments. */
export function presetOf({ preset, mtuBytes }: LossyAddress): Preset {
  const settings = presets[preset]();
  return mtuBytes === undefined ? settings : { ...settings, mtuBytes };
}
