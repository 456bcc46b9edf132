import type { BridgeFacts, Decoded, HelloFrame } from "./bridge-frames.js";
import {
  joinBytes,
  readText,
  readU16,
  readU32,
  textBytes,
  u8,
  u16Bytes,
  u32Bytes,
  within,
} from "./fields.js";
import { TYPE } from "./frame-types.js";
import {
  ADDRESS_BYTES_MAX,
  MTU_BYTES_MAX,
  MTU_BYTES_MIN,
  NAME_BYTES_MAX,
  QUEUE_MAX,
  VERSION_MAX,
  VERSION_MIN,
} from "./limits.js";

/** Where the fields of HELLO stand. @see BRIDGE.md, section 5.1 */
const AT = {
  versionMin: 1,
  versionMax: 2,
  host: 3,
  bridge: 7,
  // From here on only in versions that are known.
  mtuBytes: 11,
  queue: 13,
  peersMax: 14,
  addressBytes: 15,
  abilities: 16,
  channel: 17,
  airtimeFixedUs: 18,
  airtimePerByteNs: 20,
  address: 24,
} as const;
const ABILITY = { broadcast: 1, channel: 2, acknowledgement: 4 } as const;
const MALFORMED = { ok: false, fault: "malformed" } as const;

/** @throws RangeError for a value that the frame cannot hold: our own mistake */
export function encodeHello(frame: HelloFrame): Uint8Array {
  const versionMin = u8("versionMin", frame.versionMin, 1);
  return joinBytes(
    [TYPE.hello, versionMin, u8("versionMax", frame.versionMax, versionMin)],
    u32Bytes("host", frame.host),
    u32Bytes("bridge", frame.bridge, 1),
    frame.facts ? encodeFacts(frame.facts) : [],
  );
}

function encodeFacts(facts: BridgeFacts): Uint8Array {
  const abilities =
    (facts.canBroadcast ? ABILITY.broadcast : 0) |
    (facts.canSetChannel ? ABILITY.channel : 0) |
    (facts.tellsAcknowledgement ? ABILITY.acknowledgement : 0);
  return joinBytes(
    u16Bytes("mtuBytes", facts.mtuBytes, MTU_BYTES_MIN, MTU_BYTES_MAX),
    [u8("queue", facts.queue, 1, QUEUE_MAX), u8("peersMax", facts.peersMax)],
    [within("address.length", facts.address.length, 1, ADDRESS_BYTES_MAX)],
    [abilities, u8("channel", facts.channel)],
    u16Bytes("airtimeFixedUs", facts.airtimeFixedUs),
    u32Bytes("airtimePerByteNs", facts.airtimePerByteNs),
    facts.address,
    textBytes(facts.name, NAME_BYTES_MAX),
  );
}

export function decodeHello(body: Uint8Array): Decoded<HelloFrame> {
  if (body.length < AT.mtuBytes) return MALFORMED;
  const versionMin = body[AT.versionMin]!;
  const versionMax = body[AT.versionMax]!;
  const host = readU32(body, AT.host);
  const bridge = readU32(body, AT.bridge);
  if (versionMin === 0 || versionMin > versionMax || bridge === 0) return MALFORMED;
  const head = { type: "hello", versionMin, versionMax, host, bridge } as const;
  const isKnown = versionMin <= VERSION_MAX && versionMax >= VERSION_MIN;
  if (!isKnown) return { ok: true, value: { ...head, facts: undefined } };
  const facts = decodeFacts(body);
  return facts ? { ok: true, value: { ...head, facts } } : MALFORMED;
}

function decodeFacts(body: Uint8Array): BridgeFacts | undefined {
  if (body.length < AT.address) return undefined;
  const mtuBytes = readU16(body, AT.mtuBytes);
  const queue = body[AT.queue]!;
  const addressBytes = body[AT.addressBytes]!;
  const nameAt = AT.address + addressBytes;
  if (mtuBytes < MTU_BYTES_MIN || mtuBytes > MTU_BYTES_MAX) return undefined;
  if (queue < 1 || queue > QUEUE_MAX) return undefined;
  if (addressBytes < 1 || addressBytes > ADDRESS_BYTES_MAX) return undefined;
  if (body.length < nameAt) return undefined;
  const abilities = body[AT.abilities]!;
  return {
    mtuBytes,
    queue,
    peersMax: body[AT.peersMax]!,
    canBroadcast: (abilities & ABILITY.broadcast) !== 0,
    canSetChannel: (abilities & ABILITY.channel) !== 0,
    tellsAcknowledgement: (abilities & ABILITY.acknowledgement) !== 0,
    channel: body[AT.channel]!,
    airtimeFixedUs: readU16(body, AT.airtimeFixedUs),
    airtimePerByteNs: readU32(body, AT.airtimePerByteNs),
    // Kept for as long as the session lasts: no view.
    address: body.slice(AT.address, nameAt),
    name: readText(body.subarray(nameAt), NAME_BYTES_MAX),
  };
}
