// An update of 200,000 bytes goes to a board that has no room for it: the board takes it as a
// stream and stores piece after piece, slower than the radio brings them. Its window closes, the
// gateway waits, nothing is lost. In simulated time.

import { createHash } from "node:crypto";
import { Endpoint } from "@fardel/core";
import { lossyPair, presets, VirtualClock } from "@fardel/lossy-link";

const clock = new VirtualClock();
const { a, b } = lossyPair({ ...presets.reference(), clock, loss: 0.1 });
const gateway = await Endpoint.open({ link: a, clock });
const board = await Endpoint.open({
  link: b,
  clock,
  window: 8,
  streamBytesMax: 2048,
  // Decides before a byte is held. What is small comes whole as usual.
  accept: ({ totalBytes }) => ((totalBytes ?? 0) > 4096 ? "stream" : "whole"),
});

/** Stores what arrives, 5 ms for each piece, and takes a digest of it. */
async function store(): Promise<string> {
  const digest = createHash("sha256");
  for await (const stream of board.streams()) {
    let heldBytesMax = 0;
    for await (const piece of stream) {
      digest.update(piece);
      heldBytesMax = Math.max(heldBytesMax, board.heldBytes);
      await clock.delay(5_000);
    }
    console.log(`board: ${stream.totalBytes} bytes stored, at most ${heldBytesMax} held`);
    break;
  }
  return digest.digest("hex");
}

const update = Uint8Array.from({ length: 200_000 }, (_, index) => (index * 7) ^ (index >> 8));
const sent = gateway.peer(b.localAddress).send(update, { priority: "bulk" });
const finished = Promise.all([store(), sent]);

let isFinished = false;
const finish = () => {
  isFinished = true;
};
finished.then(finish, finish);
await clock.run({ until: () => isFinished });
const [stored, receipt] = await finished;
const isSame = stored === createHash("sha256").update(update).digest("hex");
console.log(
  `gateway: ${receipt.outcome}; the board's copy is ${isSame ? "the same" : "DIFFERENT"}`,
);
await gateway.close();
await board.close();
if (!isSame) process.exitCode = 1;
