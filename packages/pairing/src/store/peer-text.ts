import { KEYS_MAX } from "../keys/key-ring.js";
import { addressText, parseAddressText } from "./address-text.js";
import type { PairedPeer, StoredKey } from "./paired-peer.js";
import { StoreError } from "./store-error.js";

/** Names the format and its version. */
const FORMAT = "fardel-peers-1";
const SECRET_BYTES = 32;
const NAME_CHARACTERS_MAX = 64;
const RADIO_CHANNEL_MAX = 65_535;
/** Boards in one file at most: far more than one gateway speaks to. */
const PEERS_MAX = 100_000;

type Fields = Readonly<Record<string, unknown>>;

/**
 * Paired boards as text: JSON with one board a line, sorted by name, so that a person can read it and a
 * comparison shows what has changed. Holds keys: keep it private.
 */
export function writePeers(peers: readonly PairedPeer[]): string {
  checkPeers(peers);
  const lines = sorted(peers).map((peer) => `    ${JSON.stringify(fieldsOf(peer))}`);
  const body = lines.length > 0 ? `\n${lines.join(",\n")}\n  ` : "";
  return `{\n  "format": ${JSON.stringify(FORMAT)},\n  "peers": [${body}]\n}\n`;
}

/**
 * Reads what {@link writePeers} has written.
 * @throws {@link StoreError} `store-damaged`: what is wrong, and where
 */
export function readPeers(text: string): PairedPeer[] {
  let parsed: unknown;
  try {
    parsed = JSON.parse(text);
  } catch (cause) {
    throw damaged(`it is not JSON (${(cause as Error).message})`, cause);
  }
  if (!isFields(parsed) || typeof parsed.format !== "string") throw damaged(`it has no "format"`);
  if (parsed.format !== FORMAT)
    throw damaged(`its format is ${JSON.stringify(parsed.format)}, this version reads ${FORMAT}`);
  if (!Array.isArray(parsed.peers) || parsed.peers.length > PEERS_MAX)
    throw damaged(`"peers" is not a list of at most ${PEERS_MAX}`);
  const peers = parsed.peers.map((each: unknown, at) => readPeer(each, at));
  try {
    checkPeers(peers);
  } catch (cause) {
    throw damaged((cause as Error).message, cause);
  }
  return sorted(peers);
}

/** @throws {@link StoreError} `bad-value`, `name-taken` */
export function checkPeers(peers: readonly PairedPeer[]): void {
  const names = new Set<string>();
  const addresses = new Set<string>();
  for (const peer of peers) {
    checkName(peer.name);
    const address = addressText(peer.address);
    if (peer.address.length < 1 || peer.address.length > 255)
      throw bad(`${peer.name}: an address has 1 to 255 bytes`);
    if (names.has(peer.name))
      throw new StoreError(
        "name-taken",
        `Two boards are called ${peer.name}. Give one another name.`,
      );
    if (addresses.has(address)) throw bad(`The address ${address} is there twice`);
    names.add(peer.name);
    addresses.add(address);
    checkKeys(peer);
  }
}

function checkKeys({ name, keys, usedIndex, revokedMs }: PairedPeer): void {
  if (keys.length > KEYS_MAX) throw bad(`${name}: it has more than ${KEYS_MAX} keys`);
  if (keys.some(({ secret }) => secret.length !== SECRET_BYTES))
    throw bad(`${name}: a key has ${SECRET_BYTES} bytes`);
  const isUsed = keys.length > 0 ? keys[usedIndex] !== undefined : usedIndex === 0;
  if (!isUsed) throw bad(`${name}: the key in use is not among its keys`);
  if (revokedMs !== undefined && keys.length > 0) throw bad(`${name}: revoked, and has a key`);
}

/** @throws {@link StoreError} `bad-value` */
export function checkName(name: string): void {
  const isGood =
    typeof name === "string" &&
    name.length >= 1 &&
    name.length <= NAME_CHARACTERS_MAX &&
    !/\p{C}/u.test(name) &&
    name === name.trim() &&
    parseAddressText(name) === undefined;
  if (isGood) return;
  throw bad(
    `${JSON.stringify(name)} is not a name: 1 to ${NAME_CHARACTERS_MAX} characters that can be seen, and not an address`,
  );
}

/** The name, or with the first free number behind it. */
export function freeName(name: string, taken: ReadonlySet<string>): string {
  if (!taken.has(name)) return name;
  for (let number = 2; ; number++) {
    const numbered = `${name}-${number}`;
    if (!taken.has(numbered)) return numbered;
  }
}

/** How a board without a name is called: by its address. */
export function nameForAddress(address: Uint8Array): string {
  return `board-${addressText(address).replaceAll(":", "")}`;
}

function readPeer(each: unknown, at: number): PairedPeer {
  const where = `board ${at + 1}`;
  if (!isFields(each)) throw damaged(`${where} is not an object`);
  const address = typeof each.address === "string" ? parseAddressText(each.address) : undefined;
  if (!address) throw damaged(`${where} has no address`);
  if (typeof each.name !== "string") throw damaged(`${where} has no name`);
  const named = `${where}, ${each.name}`;
  const { kind, radioChannel, keys = [], used = 0 } = each;
  if (!Array.isArray(keys) || keys.length > KEYS_MAX)
    throw damaged(`${named}: "keys" is not a list of at most ${KEYS_MAX}`);
  if (typeof used !== "number") throw damaged(`${named}: "used" is not a number`);
  if (kind !== undefined && typeof kind !== "string") throw damaged(`${named}: "kind" is not text`);
  const isChannel =
    Number.isInteger(radioChannel) &&
    (radioChannel as number) >= 0 &&
    (radioChannel as number) <= RADIO_CHANNEL_MAX;
  if (radioChannel !== undefined && !isChannel)
    throw damaged(`${named}: "radioChannel" is not a number from 0 to ${RADIO_CHANNEL_MAX}`);
  return {
    address,
    name: each.name,
    ...(kind !== undefined && { kind }),
    keys: keys.map((key: unknown) => readKey(key, named)),
    usedIndex: used,
    ...(isChannel && { radioChannel: radioChannel as number }),
    firstSeenMs: readTime(each.firstSeen, named),
    lastSeenMs: readTime(each.lastSeen, named),
    ...(each.revoked !== undefined && { revokedMs: readTime(each.revoked, named) }),
  };
}

function readKey(key: unknown, where: string): StoredKey {
  const { secret: hex, side } = isFields(key) ? key : {};
  const isHex = typeof hex === "string" && /^[0-9a-f]+$/i.test(hex);
  if (!isHex || hex.length !== 2 * SECRET_BYTES)
    throw damaged(`${where}: a key is not ${2 * SECRET_BYTES} hexadecimal digits`);
  if (side !== "initiator" && side !== "responder")
    throw damaged(`${where}: the side of a key is neither initiator nor responder`);
  const secret = Uint8Array.from(hex.match(/../g) ?? [], (pair) => Number.parseInt(pair, 16));
  return { secret, side };
}

function readTime(text: unknown, where: string): number {
  const time = typeof text === "string" ? Date.parse(text) : Number.NaN;
  if (Number.isNaN(time)) throw damaged(`${where}: ${JSON.stringify(text)} is not a time`);
  return time;
}

function fieldsOf(peer: PairedPeer): Fields {
  const { address, name, kind, keys, usedIndex, radioChannel, revokedMs } = peer;
  return {
    address: addressText(address),
    name,
    kind,
    ...(keys.length > 0 && {
      keys: keys.map(({ secret, side }) => ({ secret: hexOf(secret), side })),
      used: usedIndex,
    }),
    radioChannel,
    firstSeen: new Date(peer.firstSeenMs).toISOString(),
    lastSeen: new Date(peer.lastSeenMs).toISOString(),
    revoked: revokedMs === undefined ? undefined : new Date(revokedMs).toISOString(),
  };
}

function hexOf(bytes: Uint8Array): string {
  return Array.from(bytes, (byte) => byte.toString(16).padStart(2, "0")).join("");
}

/** The same order on every machine: no locale is asked. */
function sorted(peers: readonly PairedPeer[]): PairedPeer[] {
  return [...peers].sort((one, other) => (one.name < other.name ? -1 : 1));
}

function isFields(value: unknown): value is Fields {
  return typeof value === "object" && value !== null && !Array.isArray(value);
}

function damaged(what: string, cause?: unknown): StoreError {
  return new StoreError("store-damaged", `The store of paired boards is damaged: ${what}.`, {
    cause,
  });
}

function bad(what: string): StoreError {
  return new StoreError("bad-value", `${what}.`);
}
