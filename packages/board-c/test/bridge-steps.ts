import fc from "fast-check";
import type { BridgeCoreOptions, RadioResult } from "../../serial-bridge/src/bridge/bridge-core.js";

/** What happens to a bridge, drawn at random: everything that may come, and much that should not. */

/** A byte of what is on the line is flipped, lost, or one is put in. */
export interface LineFault {
  readonly does: "flip" | "drop" | "insert";
  readonly at: number;
  readonly value: number;
}

/** Frames of the host: what is left open depends on where the conversation stands. */
export type HostStep =
  | { readonly does: "hello"; readonly host: number; readonly least: number; readonly most: number }
  | {
      readonly does: "send";
      readonly to: number;
      /** Tokens left out before it. */
      readonly skip: number;
      readonly again: boolean;
      readonly length: number;
    }
  | { readonly does: "channel?"; readonly request: number; readonly channel: number }
  | { readonly does: "status?" | "statistics?"; readonly request: number }
  | { readonly does: "goodbye" }
  /** A body that no codec would write, its CRC right. */
  | { readonly does: "body"; readonly body: Uint8Array };

export type Step =
  | {
      readonly does: "host";
      readonly frames: readonly HostStep[];
      readonly faults: readonly LineFault[];
      /** Whether a delimiter stands in front. */
      readonly isPause: boolean;
    }
  | { readonly does: "noise"; readonly bytes: Uint8Array }
  | { readonly does: "outcome"; readonly back: number; readonly result: RadioResult }
  | {
      readonly does: "hear";
      readonly from: number;
      readonly length: number;
      readonly rssiDbm: number | undefined;
    }
  | { readonly does: "log"; readonly level: number; readonly text: string }
  | { readonly does: "channel-set"; readonly result: "set" | "not-allowed" }
  | { readonly does: "channel-changed"; readonly channel: number }
  | { readonly does: "pass"; readonly us: number; readonly isTimely: boolean }
  | { readonly does: "read"; readonly frames: number; readonly isPause: boolean };

const byte = fc.integer({ min: 0, max: 255 });

const hello = fc.record({
  does: fc.constant("hello" as const),
  host: fc.constantFrom(1, 2, 0x9a3f0001, 0xffffffff),
  least: fc.constantFrom(1, 1, 1, 1, 2),
  most: fc.constantFrom(2, 2, 2, 255),
});
const send = fc.record({
  does: fc.constant("send" as const),
  to: fc.nat(7),
  skip: fc.oneof({ weight: 8, arbitrary: fc.constant(0) }, fc.nat(6), byte),
  again: fc.boolean(),
  length: fc.oneof({ weight: 6, arbitrary: fc.nat(12) }, fc.nat(80)),
});
const hostStep: fc.Arbitrary<HostStep> = fc.oneof(
  { weight: 12, arbitrary: send },
  { weight: 2, arbitrary: hello },
  fc.record({ does: fc.constant("channel?" as const), request: byte, channel: byte }),
  {
    weight: 3,
    arbitrary: fc.record({ does: fc.constantFrom("status?", "statistics?"), request: byte }),
  },
  fc.record({ does: fc.constant("goodbye" as const) }),
  fc.record({
    does: fc.constant("body" as const),
    body: fc
      .tuple(fc.integer({ min: 0, max: 9 }), fc.uint8Array({ maxLength: 90 }))
      .map(([type, rest]) => Uint8Array.of(type, ...rest)),
  }),
);
const fault = fc.record({
  does: fc.constantFrom("flip", "drop", "insert"),
  at: fc.nat(400),
  value: fc.oneof(fc.constantFrom(0, 0xc0, 0xdb, 1, 0xff), byte),
});
const line = fc.record({
  does: fc.constant("host" as const),
  frames: fc.array(hostStep, { minLength: 1, maxLength: 4 }),
  faults: fc.oneof({ weight: 4, arbitrary: fc.constant([]) }, fc.array(fault, { maxLength: 2 })),
  isPause: fc.boolean(),
});

const RESULTS = ["sent", "acknowledged", "not-acknowledged", "unknown", "not-taken"] as const;

const radio = fc.oneof(
  {
    weight: 4,
    arbitrary: fc.record({
      does: fc.constant("outcome" as const),
      back: fc.oneof({ weight: 5, arbitrary: fc.constant(0) }, fc.nat(5)),
      result: fc.constantFrom(...RESULTS),
    }),
  },
  {
    weight: 3,
    arbitrary: fc.record({
      does: fc.constant("hear" as const),
      from: fc.nat(3),
      length: fc.oneof(
        { weight: 8, arbitrary: fc.nat(12) },
        fc.nat(90),
        fc.integer({ min: 235, max: 325 }),
      ),
      rssiDbm: fc.option(fc.integer({ min: -127, max: 127 }), { nil: undefined }),
    }),
  },
  fc.record({
    does: fc.constant("channel-set" as const),
    result: fc.constantFrom("set", "not-allowed"),
  }),
  fc.record({ does: fc.constant("channel-changed" as const), channel: byte }),
);

const text = fc.oneof(
  fc.string({ unit: "binary", maxLength: 30 }),
  fc.string({ unit: "binary", minLength: 60, maxLength: 210 }),
);
const rest = fc.oneof(
  fc.record({ does: fc.constant("noise" as const), bytes: fc.uint8Array({ maxLength: 120 }) }),
  fc.record({
    does: fc.constant("log" as const),
    level: fc.integer({ min: 0, max: 7 }),
    // A text in C ends at its first zero.
    text: text.map((any) => any.replaceAll("\0", "0")),
  }),
  {
    weight: 2,
    arbitrary: fc.record({
      does: fc.constant("pass" as const),
      us: fc.oneof(fc.nat(1_200_000), fc.nat(150_000), fc.nat(12_000_000)),
      isTimely: fc.boolean(),
    }),
  },
  {
    weight: 4,
    arbitrary: fc.record({
      does: fc.constant("read" as const),
      frames: fc.oneof(fc.nat(3), fc.constant(100)),
      isPause: fc.boolean(),
    }),
  },
);

export const anyStep: fc.Arbitrary<Step> = fc.oneof(
  { weight: 4, arbitrary: line },
  { weight: 3, arbitrary: radio },
  { weight: 2, arbitrary: rest },
);

/** A bridge of any kind, mostly with little room. */
export const anyBridge: fc.Arbitrary<BridgeCoreOptions> = fc
  .record({
    addressBytes: fc.oneof(fc.constant(6), fc.integer({ min: 1, max: 18 })),
    mtuBytes: fc.oneof(fc.integer({ min: 20, max: 70 }), fc.constantFrom(250, 320)),
    queue: fc.oneof(fc.integer({ min: 1, max: 6 }), fc.integer({ min: 1, max: 64 })),
    peersMax: fc.nat(4),
    heardMax: fc.integer({ min: 1, max: 5 }),
    radioDepth: fc.integer({ min: 1, max: 4 }),
    canBroadcast: fc.boolean(),
    canSetChannel: fc.boolean(),
    tellsAcknowledgement: fc.boolean(),
    channel: byte,
    airtimeFixedUs: fc.nat(0xffff),
    airtimePerByteNs: fc.nat(0xffffffff),
    name: fc.constantFrom("", "orchard bridge", "Brücke in Reihe drei", "x".repeat(64)),
    framing: fc.constantFrom("cobs", "cobs", "slip"),
    incarnation: fc.integer({ min: 1, max: 0xffffffff }),
  })
  .map(({ addressBytes, heardMax, radioDepth, framing, incarnation, ...facts }) => ({
    facts: { ...facts, address: new Uint8Array(addressBytes).fill(0xb1) },
    framing,
    incarnation,
    radioDepth,
    heardMax,
  }));
