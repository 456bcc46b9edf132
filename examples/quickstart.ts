import { Endpoint, SystemClock } from "@fardel/core";
import { lossyPair, presets } from "@fardel/lossy-link";

// A simulated radio channel with two ends. It loses every fifth datagram.
const { a, b } = lossyPair({ ...presets.reference(), clock: new SystemClock(), loss: 0.2 });

// The board receives.
const board = await Endpoint.open({ link: b });
board.onMessage(({ bytes }) => console.log(`board: a message of ${bytes.length} bytes, whole`));

// The gateway sends. The promise resolves when the board holds the message whole.
const gateway = await Endpoint.open({ link: a });
const receipt = await gateway.peer(b.localAddress).send(new Uint8Array(4000));
console.log(`gateway: ${receipt.outcome}`);

await gateway.close();
await board.close();
