import { type LossyLink, type Medium, Random } from "@fardel/lossy-link";
import { STRANGERS_MAX } from "./draw-strokes.js";
import { changed, Keepsake } from "./keepsake.js";
import type { IntrusionPlan } from "./scenario.js";

/** Foreign stations in range: they hear everything, and send what they have heard as their own. */
export class Intruders {
  readonly #heard = new Keepsake();
  readonly #radios: LossyLink[];

  constructor(medium: Medium) {
    this.#radios = Array.from({ length: STRANGERS_MAX }, (_, index) => {
      const radio = medium.attach({ address: Uint8Array.of(2, 0, 0, 1, 0, index) });
      radio.open({ onDatagram: () => {} });
      return radio;
    });
    medium.observe(({ from, datagram, copy }) => {
      if (!copy) this.#heard.keep(from, datagram);
    });
  }

  send(to: Uint8Array, { age, stranger, change, salt }: IntrusionPlan): void {
    const kept = this.#heard.pick(age);
    if (kept)
      this.#radios[stranger]?.send(to, changed(kept.datagram, change, new Random(salt)), () => {});
  }
}
