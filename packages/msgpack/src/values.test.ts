import { describe, expect, it } from "vitest";
import { decodeValue } from "./decode-value.js";
import { encodeValue } from "./encode-value.js";
import { ValueError } from "./value-error.js";
import { sendValue, values } from "./values.js";

/** A peer that only notes what it is asked to send. */
class NotingPeer {
  readonly sent: { bytes: Uint8Array; options: { priority?: number } | undefined }[] = [];

  send(bytes: Uint8Array, options?: { priority?: number }): Promise<string> {
    this.sent.push({ bytes, options });
    return Promise.resolve(`receipt ${this.sent.length}`);
  }
}

describe("sendValue", () => {
  it("sends the encoded value with the given options and returns what the peer returns", async () => {
    const peer = new NotingPeer();
    const receipt: string = await sendValue(peer, { fan: "on" }, { priority: 7 });
    expect(receipt).toBe("receipt 1");
    expect(peer.sent.map(({ bytes, options }) => [decodeValue(bytes), options])).toEqual([
      [{ fan: "on" }, { priority: 7 }],
    ]);
  });

  it("sends nothing when the value cannot be encoded", () => {
    const peer = new NotingPeer();
    expect(() => sendValue(peer, new Map())).toThrow(ValueError);
    expect(peer.sent).toEqual([]);
  });

  it("takes the peer's own options and no others", () => {
    const peer = new NotingPeer();
    // @ts-expect-error -- the peer's send knows no such option
    void sendValue(peer, 1, { colour: "green" });
    expect(peer.sent).toHaveLength(1);
  });
});

describe("values", () => {
  it("gives each message's value, in order, along with the message", async () => {
    const messages = [1, "two", { three: 3 }].map((value, sequence) => ({
      bytes: encodeValue(value),
      sequence,
    }));
    const seen: unknown[] = [];
    for await (const received of values(messages)) {
      if (received.ok) seen.push([received.message.sequence, received.value]);
    }
    expect(seen).toEqual([
      [0, 1],
      [1, "two"],
      [2, { three: 3 }],
    ]);
  });

  it("reports a message that is no value and goes on with the next", async () => {
    const messages = [{ bytes: Uint8Array.of(0xc1) }, { bytes: encodeValue("fine") }];
    const seen: unknown[] = [];
    for await (const received of values(messages)) {
      seen.push(received.ok ? received.value : received.error.code);
    }
    expect(seen).toEqual(["not-msgpack", "fine"]);
  });

  it("closes its source when the consumer stops, having read no further", async () => {
    const log: string[] = [];
    async function* source() {
      try {
        for (let count = 1; ; count++) {
          log.push(`read ${count}`);
          yield { bytes: encodeValue(count) };
        }
      } finally {
        log.push("closed");
      }
    }
    for await (const received of values(source())) {
      if (received.ok && received.value === 2) break;
    }
    expect(log).toEqual(["read 1", "read 2", "closed"]);
  });
});
