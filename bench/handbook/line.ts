import { Endpoint } from "@fardel/core";
import { lossyPair, Random, VirtualClock } from "@fardel/lossy-link";

/** Of a full datagram, everything but the message: head, frame and CRC (PROTOCOL.md). */
const HEADER_BYTES = 8;
/** Share of the message at each end that is not timed: the formulas know no beginning and no end. */
const EDGE = 0.1;

/** A line that carries both ways at once, as the formulas assume. */
export interface Line {
  readonly mtuBytes: number;
  readonly perByteUs: number;
  /** One way, µs. */
  readonly propagationUs: number;
  /** Fragments. */
  readonly window: number;
  /** Of datagrams with data; acks are never lost. */
  readonly loss: number;
  /** Full datagrams in one message. */
  readonly frames: number;
}

/**
 * Share of the time in which the line carries frames for the first time, headers included, in the
 * middle of one long message.
 */
export async function utilisation(line: Line, seed: number): Promise<number> {
  const { mtuBytes, perByteUs, propagationUs, window, loss, frames } = line;
  const clock = new VirtualClock();
  const { a, b } = lossyPair({
    clock,
    seed,
    mtuBytes,
    airtime: { fixedUs: 0, perByteUs, overheadBytes: 0 },
    duplex: "full",
    delayUs: propagationUs,
    outstandingMax: 8,
    aToB: { loss },
  });
  const numbers = new Random(seed);
  const draws = (name: string) => {
    const stream = numbers.stream(name);
    return () => stream.uint32();
  };
  const sender = await Endpoint.open({ link: a, clock, random: draws("sender") });
  const receiver = await Endpoint.open({ link: b, clock, window, random: draws("receiver") });
  receiver.onMessage(() => undefined);
  const peer = sender.peer(b.localAddress);
  const payload = mtuBytes - HEADER_BYTES;
  const bytes = frames * payload;
  const middle: { readonly us: number; readonly bytes: number }[] = [];
  // The session is opened and the round trip known before the measurement begins.
  await settled(clock, peer.send(new Uint8Array(1), { channel: 3 }));
  const sent = peer.send(new Uint8Array(bytes), {
    onProgress: ({ acknowledgedBytes }) => {
      if (acknowledgedBytes < EDGE * bytes || acknowledgedBytes > (1 - EDGE) * bytes) return;
      middle.push({ us: clock.nowUs(), bytes: acknowledgedBytes });
    },
  });
  await settled(clock, sent);
  const [first, last] = [middle[0], middle.at(-1)];
  if (!first || !last || first === last) throw new Error("Too few acks to measure between.");
  const frameUs = mtuBytes * perByteUs;
  return ((last.bytes - first.bytes) / payload) * (frameUs / (last.us - first.us));
}

/** Lets virtual time pass until the promise is settled. */
export async function settled<T>(clock: VirtualClock, promise: Promise<T>): Promise<T> {
  let isDone = false;
  const mark = () => {
    isDone = true;
  };
  promise.then(mark, mark);
  await clock.run({ until: () => isDone });
  return promise;
}
