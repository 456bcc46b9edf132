import type { Frame } from "../../../packages/core/src/wire/index.js";
import type { Attack, Shot, Vantage } from "../attack.js";
import { ack, strangerAddress } from "../forge.js";
import { HostilePeer } from "../hostile-peer.js";

const CHANNELS = 16;
const LURE_BYTES = 20_000;

/**
 * Acks that a peer, to which the victim sends, makes up (sections 6 to 8). Each attack is lured a message now and
 * then, so that there is something to acknowledge.
 */
function ackAttack(name: string, lie: (peer: HostilePeer, step: number) => Frame[]): Attack {
  return {
    name,
    knows: "peer",
    datagrams: 800,
    *shots(vantage) {
      yield* lies(vantage, lie);
    },
  };
}

function* lies(
  vantage: Vantage,
  lie: (peer: HostilePeer, step: number) => Frame[],
): Generator<Shot> {
  const peer = new HostilePeer(vantage, strangerAddress(1));
  yield* peer.meet();
  for (let step = 0; ; step++) {
    if (step % 100 === 0) vantage.lure(peer.address, LURE_BYTES);
    yield peer.say(lie(peer, step));
  }
}

/** Channel of a message with default options. */
const LURED = 1;

export const ACKS: readonly Attack[] = [
  ackAttack("acks for what was never sent", (peer, step) => [
    ack(LURED, peer.heardLow, peer.victimToken + 200 + step),
    ack(step % CHANNELS, peer.heardLow, step * 77),
  ]),
  ackAttack("maps of ones beyond everything that was sent", (peer, step) => {
    const map = new Uint8Array(32).fill(0xff);
    return [0, LURED, 6, 14].map((channel) =>
      ack(channel, peer.heardLow, peer.victimToken + (step % 3), { map }),
    );
  }),
  ackAttack("acks that go backwards", (peer, step) => [
    ack(LURED, peer.heardLow - step, peer.victimToken - step, { prompt: true }),
  ]),
  ackAttack("acks of datagrams far in the future and of other sessions", (peer, step) => [
    ack(LURED, peer.heardLow + 1 + 1000 * step, peer.victimToken, { prompt: step % 2 === 0 }),
  ]),
  ackAttack("everything is lost, says every ack", (peer) => [
    ack(LURED, peer.heardLow, peer.victimToken, { prompt: true }),
  ]),
  ackAttack("windows of 0 and of 255 in turn, contradicting in one datagram", (peer, step) => [
    ack(LURED, peer.heardLow, peer.victimToken, { window: step % 2 ? 0 : 255 }),
    ack(LURED, peer.heardLow, peer.victimToken, { window: step % 2 ? 255 : 0 }),
  ]),
  ackAttack("a window of 0 for ever", (peer) => [
    ack(LURED, peer.heardLow, peer.victimToken, { window: 0 }),
  ]),
  ackAttack("acks that say that they are incomplete", (peer, step) =>
    Array.from({ length: 20 }, (_, at) =>
      ack((step + at) % CHANNELS, peer.heardLow, peer.victimToken, { truncated: true }),
    ),
  ),
  {
    name: "round trips of seconds: acks that are held back",
    knows: "peer",
    datagrams: 30,
    *shots(vantage) {
      const peer = new HostilePeer(vantage, strangerAddress(1));
      yield* peer.meet();
      for (let step = 0; ; step++) {
        vantage.lure(peer.address, 30);
        const pauseUs = 1_500_000;
        const next = peer.victimToken + step;
        yield peer.say([ack(LURED, peer.heardLow, next, { prompt: true })], { pauseUs });
      }
    },
  },
];
