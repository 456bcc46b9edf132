import type { Duplex } from "node:stream";
import { Random } from "@fardel/lossy-link";
import type { Noise } from "../../../test/interop/noisy-port.js";

/** A cable between two serial ports that loses and flips bytes, both ways. */
export class NoisyLine {
  /** Bytes that went in, either way; of them lost; of them with a bit turned over. */
  readonly counts = { bytes: 0, lost: 0, flipped: 0 };

  constructor(one: Duplex, other: Duplex, noise: Noise) {
    const random = new Random(noise.seed);
    this.#carry(one, other, noise, random.stream("there"));
    this.#carry(other, one, noise, random.stream("back"));
  }

  #carry(from: Duplex, to: Duplex, noise: Noise, random: Random): void {
    from.on("data", (bytes: Buffer) => {
      const arrived = this.#through(bytes, noise, random);
      // Whoever reads slowly slows the other side down, as between two programs and a pipe.
      if (to.writable && !to.write(arrived)) {
        from.pause();
        to.once("drain", () => from.resume());
      }
    });
    // Either end may go away first when a test is over.
    from.on("error", () => {});
    from.on("close", () => to.end());
  }

  #through(bytes: Buffer, noise: Noise, random: Random): Uint8Array {
    const arrived: number[] = [];
    for (const byte of bytes) {
      this.counts.bytes++;
      if (random.uniform() < noise.drop) this.counts.lost++;
      else if (random.uniform() < noise.flip) {
        this.counts.flipped++;
        arrived.push(byte ^ (1 << random.integer(0, 7)));
      } else arrived.push(byte);
    }
    return Uint8Array.from(arrived);
  }
}
