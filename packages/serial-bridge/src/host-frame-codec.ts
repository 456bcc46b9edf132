import type { Decoded, HostFrame } from "./bridge-frames.js";
import { joinBytes, readU32, u8, u32Bytes, within } from "./fields.js";
import { TYPE } from "./frame-types.js";
import { ADDRESS_BYTES_MAX } from "./limits.js";

/** Bytes of HELLO?: the same in every version. */
const HELLO_REQUEST_BYTES = 7;
const MALFORMED = { ok: false, fault: "malformed" } as const;

/**
 * The body of a frame of the host.
 * @throws RangeError for a value that the frame cannot hold: our own mistake
 * @see BRIDGE.md, section 4
 */
export function encodeHostFrame(frame: HostFrame): Uint8Array {
  switch (frame.type) {
    case "hello-request": {
      const versionMin = u8("versionMin", frame.versionMin, 1);
      const versionMax = u8("versionMax", frame.versionMax, versionMin);
      const host = u32Bytes("host", frame.host, 1);
      return Uint8Array.of(TYPE.helloRequest, versionMin, versionMax, ...host);
    }
    case "send": {
      const token = u8("token", frame.token);
      if (frame.again) return joinBytes([TYPE.sendAgain, token], frame.datagram);
      within("to.length", frame.to.length, 1, ADDRESS_BYTES_MAX);
      return joinBytes([TYPE.send, token], frame.to, frame.datagram);
    }
    case "channel-request": {
      const request = u8("request", frame.request, 1);
      return Uint8Array.of(TYPE.channelRequest, request, u8("channel", frame.channel, 1));
    }
    case "status-request":
      return Uint8Array.of(TYPE.statusRequest, u8("request", frame.request, 1));
    case "statistics-request":
      return Uint8Array.of(TYPE.statisticsRequest, u8("request", frame.request, 1));
    case "goodbye":
      return Uint8Array.of(TYPE.goodbye);
  }
}

/**
 * Reads the body of a frame of the host. Addresses and datagrams in it are views of `body`.
 * @param body - any bytes
 * @param addressBytes - length of an address (A)
 * @param impliedTo - the address that SEND-AGAIN means, if there is one yet
 */
export function decodeHostFrame(
  body: Uint8Array,
  addressBytes: number,
  impliedTo: Uint8Array | undefined,
): Decoded<HostFrame> {
  const type = body[0];
  switch (type) {
    case TYPE.helloRequest:
      return decodeHelloRequest(body);
    case TYPE.send:
    case TYPE.sendAgain:
      return decodeSend(body, addressBytes, impliedTo);
    case TYPE.channelRequest: {
      const [, request, channel] = body;
      if (!request || !channel) return MALFORMED;
      return { ok: true, value: { type: "channel-request", request, channel } };
    }
    case TYPE.statusRequest:
    case TYPE.statisticsRequest: {
      const request = body[1];
      if (!request) return MALFORMED;
      const word = type === TYPE.statusRequest ? "status-request" : "statistics-request";
      return { ok: true, value: { type: word, request } };
    }
    case TYPE.goodbye:
      return { ok: true, value: { type: "goodbye" } };
    default:
      return { ok: false, fault: "unknown-type" };
  }
}

function decodeHelloRequest(body: Uint8Array): Decoded<HostFrame> {
  if (body.length < HELLO_REQUEST_BYTES) return MALFORMED;
  const versionMin = body[1]!;
  const versionMax = body[2]!;
  const host = readU32(body, 3);
  if (host === 0 || versionMin === 0 || versionMin > versionMax) return MALFORMED;
  return { ok: true, value: { type: "hello-request", versionMin, versionMax, host } };
}

function decodeSend(
  body: Uint8Array,
  addressBytes: number,
  impliedTo: Uint8Array | undefined,
): Decoded<HostFrame> {
  const again = body[0] === TYPE.sendAgain;
  const datagramAt = again ? 2 : 2 + addressBytes;
  const to = again ? impliedTo : body.subarray(2, datagramAt);
  if (body.length < datagramAt || addressBytes === 0 || !to) return MALFORMED;
  const datagram = body.subarray(datagramAt);
  return { ok: true, value: { type: "send", token: body[1]!, to, datagram, again } };
}
