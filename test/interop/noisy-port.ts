import { Random } from "@fardel/lossy-link";
import type { BytePort, PortSource } from "@fardel/serial-bridge";

/** What befalls each byte that passes, either way: probabilities from 0 to 1. */
export interface Noise {
  readonly seed: number;
  /** One bit of it is turned over. */
  readonly flip: number;
  /** It is lost. */
  readonly drop: number;
}

/** What arrives of some bytes. */
function throughNoise(bytes: Uint8Array, noise: Noise, random: Random): Uint8Array {
  const arrived: number[] = [];
  for (const byte of bytes) {
    if (random.uniform() < noise.drop) continue;
    arrived.push(random.uniform() < noise.flip ? byte ^ (1 << random.integer(0, 7)) : byte);
  }
  return Uint8Array.from(arrived);
}

/** A port on a bad cable. */
export function noisyPort(source: PortSource, noise: Noise): PortSource {
  const incoming = new Random(noise.seed).stream("incoming");
  const outgoing = new Random(noise.seed).stream("outgoing");
  const wrap = (port: BytePort): BytePort => ({
    bitRate: port.bitRate,
    write: (bytes, done) => port.write(throughNoise(bytes, noise, outgoing), done),
    close: () => port.close(),
  });
  return {
    label: source.label,
    open: async (bitRate, handlers) =>
      wrap(
        await source.open(bitRate, {
          onBytes: (bytes) => handlers.onBytes(throughNoise(bytes, noise, incoming)),
          onClosed: (why) => handlers.onClosed(why),
        }),
      ),
  };
}
