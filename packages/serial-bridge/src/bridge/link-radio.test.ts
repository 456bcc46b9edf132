import type { Link } from "@fardel/core";
import { lossyPair, presets } from "@fardel/lossy-link";
import { describe, expect, it } from "vitest";
import type { SerialBridgeError } from "../errors.js";
import type { RadioResult } from "./bridge-core.js";
import { linkRadio } from "./link-radio.js";
import { EVERYBODY } from "./scripted-host.js";

const RULE = "The bridge has broken a rule of its radio";

function refusal(run: () => unknown): SerialBridgeError {
  try {
    run();
  } catch (error) {
    return error as SerialBridgeError;
  }
  throw new Error("It succeeded.");
}

describe("a link as a radio", () => {
  it("says of itself what the link says", () => {
    const { a } = lossyPair(presets.reference());
    const radio = linkRadio(a);
    expect(radio).toMatchObject({
      mtuBytes: 250,
      canBroadcast: true,
      peersMax: 20,
      depth: 1,
      tellsAcknowledgement: false,
      channel: 0,
      airtimeFixedUs: 552 + 8 * 43,
      airtimePerByteNs: 8000,
    });
    expect(radio.address).toEqual(a.localAddress);
    expect("setChannel" in radio).toBe(false);
  });

  it("does not say what the link does not know, or what no HELLO can hold", () => {
    const { a } = lossyPair({ ...presets.ideal(), broadcastAddress: null, mtuBytes: 9000 });
    const slow: Link = { ...stub(a), airtimeUs: (bytes) => 70_000 + bytes };
    expect(linkRadio(stub(a))).toMatchObject({ airtimeFixedUs: 0, airtimePerByteNs: 0 });
    expect(linkRadio(slow)).toMatchObject({ airtimeFixedUs: 0, airtimePerByteNs: 0 });
    expect(linkRadio(a)).toMatchObject({ mtuBytes: 1500, canBroadcast: false });
  });

  it("passes datagrams both ways, and what became of them", () => {
    const { a, b, clock } = lossyPair({ ...presets.ideal(), neighbourAcks: true });
    const heard: unknown[] = [];
    const results: RadioResult[] = [];
    const radio = linkRadio(a, { peersMax: 0, depth: 3 });
    radio.open({ onReceived: (from, rssi, bytes) => heard.push([[...from], rssi, [...bytes]]) });
    b.open({ onDatagram: (from) => b.send(from, Uint8Array.of(8), () => {}) });
    const send = (to: Uint8Array) =>
      radio.transmit(to, Uint8Array.of(1), (result) => results.push(result));
    send(b.localAddress);
    send(Uint8Array.of(2, 0, 0, 0, 0, 0x77));
    send(EVERYBODY);
    clock.runSync();
    expect(results).toEqual(["acknowledged", "not-acknowledged", "sent"]);
    expect(heard).toEqual([
      [[...b.localAddress], undefined, [8]],
      [[...b.localAddress], undefined, [8]],
    ]);
  });

  it("reaches everybody also where the link has another address for that", () => {
    const { a, b, clock } = lossyPair({
      ...presets.ideal(),
      broadcastAddress: Uint8Array.of(9, 9, 9, 9, 9, 9),
    });
    const heard: number[] = [];
    b.open({ onDatagram: (_from, bytes) => heard.push(bytes[0]!) });
    const radio = linkRadio(a, { peersMax: 0 });
    radio.open({ onReceived: () => {} });
    radio.transmit(EVERYBODY, Uint8Array.of(5), () => {});
    clock.runSync();
    expect(heard).toEqual([5]);
  });

  it("keeps bytes of its own: a bridge may give up a datagram that the link still has", () => {
    const sent: Uint8Array[] = [];
    const { a } = lossyPair(presets.ideal());
    const link: Link = { ...stub(a), send: (to, datagram) => sent.push(to, datagram) };
    const radio = linkRadio(link, { peersMax: 0 });
    const to = Uint8Array.of(2, 0, 0, 0, 0, 9);
    const bytes = Uint8Array.of(1, 2, 3);
    radio.transmit(to, bytes, () => {});
    to.fill(0);
    bytes.fill(0);
    expect(sent.map(String)).toEqual(["2,0,0,0,0,9", "1,2,3"]);
  });

  it("tells refused as not-taken and gone as unknown", () => {
    const { a, clock } = lossyPair(presets.ideal());
    const results: RadioResult[] = [];
    const radio = linkRadio(a, { peersMax: 0 });
    radio.open({ onReceived: () => {} });
    radio.transmit(EVERYBODY, new Uint8Array(1501), (result) => results.push(result));
    clock.runSync();
    a.close();
    radio.transmit(EVERYBODY, new Uint8Array(1), (result) => results.push(result));
    clock.runSync();
    expect(results).toEqual(["not-taken", "unknown"]);
  });

  it("sets the channel where that is possible", () => {
    const { a } = lossyPair(presets.ideal());
    const radio = linkRadio(a, {
      channel: 6,
      setChannel: (channel) => (channel <= 13 ? "set" : "not-allowed"),
    });
    expect([radio.setChannel?.(14), radio.channel]).toEqual(["not-allowed", 6]);
    expect([radio.setChannel?.(13), radio.channel]).toEqual(["set", 13]);
  });
});

describe("its table", () => {
  const to = (number: number) => Uint8Array.of(2, 0, 0, 0, 1, number);

  function opened(options: Parameters<typeof linkRadio>[1]) {
    const { a, clock } = lossyPair(presets.reference());
    const radio = linkRadio(a, options);
    radio.open({ onReceived: () => {} });
    return { radio, clock };
  }

  it("wants each address before a datagram to it, and has no more places than it says", () => {
    const { radio } = opened({ peersMax: 1 });
    expect(() => radio.transmit(to(1), new Uint8Array(1), () => {})).toThrow(
      `${RULE}: the address is not in the table.`,
    );
    radio.addPeer(to(1));
    expect(() => radio.addPeer(to(1))).toThrow("is in the table already");
    expect(() => radio.addPeer(to(2))).toThrow("the table is full");
    expect(() => radio.removePeer(to(2))).toThrow("is not in the table");
  });

  it("lets nobody out to whom a datagram is under way", () => {
    const { radio, clock } = opened({ peersMax: 1 });
    radio.addPeer(to(1));
    radio.transmit(to(1), new Uint8Array(1), () => {});
    expect(() => radio.removePeer(to(1))).toThrow("is under way");
    expect(() => radio.transmit(to(1), new Uint8Array(1), () => {})).toThrow("too many");
    clock.runSync();
    radio.removePeer(to(1));
  });

  it("is not there with 0 places, and empty after a reset", () => {
    expect(() => opened({ peersMax: 0 }).radio.addPeer(to(1))).toThrow("there is no table");
    const { radio } = opened({ peersMax: 1 });
    radio.addPeer(to(1));
    radio.reset();
    radio.addPeer(to(2));
  });
});

describe("wrong options", () => {
  const { a } = lossyPair(presets.reference());

  it.each([
    [{ peersMax: 256 }, "peersMax is 256: give a whole number from 0 to 255."],
    [{ depth: 5 }, "depth is 5: give a whole number from 1 to 4."],
    [{ channel: -1 }, "channel is -1: give a whole number from 0 to 255."],
    [
      { address: new Uint8Array(19) },
      "The radio's address has 19 bytes: a bridge carries 1 to 18.",
    ],
  ])("%j", (options, sentence) => {
    expect(refusal(() => linkRadio(a, options))).toMatchObject({
      code: "invalid-option",
      message: sentence,
    });
  });

  it("a link without an address, or with datagrams too small", () => {
    expect(refusal(() => linkRadio(anonymous(a))).message).toBe(
      "The link does not know its own address. Give one as the option address.",
    );
    const address = Uint8Array.of(1);
    expect(linkRadio(anonymous(a), { address }).address).toEqual(address);
    expect(refusal(() => linkRadio({ ...stub(a), mtuBytes: 19 })).code).toBe("invalid-option");
  });
});

/** A link with no more than it must have, save its address. */
function stub({ mtuBytes, outstandingMax, localAddress }: Link): Link {
  const nothing = () => {};
  const address = localAddress ?? Uint8Array.of(1);
  return {
    mtuBytes,
    outstandingMax,
    localAddress: address,
    open: nothing,
    send: nothing,
    close: nothing,
  };
}

function anonymous(link: Link): Link {
  const { localAddress: _localAddress, ...others } = stub(link);
  return others;
}
