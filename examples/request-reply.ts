// A gateway asks a board and waits for the answer of the board's program. A receipt says that the
// peer's endpoint holds a message; only a reply says that its program has seen it.

import { Endpoint, FardelError, SystemClock } from "@fardel/core";
import { lossyPair, presets } from "@fardel/lossy-link";
import { decodeValue, encodeValue } from "@fardel/msgpack";

const { a, b } = lossyPair({ ...presets.reference(), clock: new SystemClock(), loss: 0.2 });
const gateway = await Endpoint.open({ link: a });
const board = await Endpoint.open({ link: b });

/** The board's program. Its readings are invented. */
async function serve(): Promise<void> {
  const readings: Readonly<Record<string, number>> = { airC: -0.8, batteryV: 3.7 };
  for await (const request of board.requests()) {
    const name = String(decodeValue(request.bytes));
    const value = readings[name];
    // What was asked is answered, also when it cannot be done: the asker shall not wait in vain.
    const answered =
      value === undefined
        ? request.fail(`there is no reading named ${name}`)
        : request.reply(encodeValue(value));
    // The asker may be gone before it has acknowledged the reply. There is nothing to be done then.
    answered.catch(() => {});
  }
}

async function ask(name: string): Promise<void> {
  const peer = gateway.peer(b.localAddress);
  try {
    const reply = await peer.request(encodeValue(name), { deadlineMs: 5_000 });
    console.log(`${name}: ${decodeValue(reply)}`);
  } catch (error) {
    if (!(error instanceof FardelError)) throw error;
    console.log(`${name}: ${error.code}. ${error.message}`);
  }
}

const serving = serve();
await ask("airC");
await ask("batteryV");
await ask("soilC");
await gateway.close();
await board.close();
await serving;
