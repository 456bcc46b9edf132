import type { Address } from "@fardel/core";
import type { LossyLink, Medium } from "@fardel/lossy-link";

/** How long each side of a pair has kept the air busy, and how many frames the gateway has sent. */
export class AirMeter {
  gatewayFrames = 0;
  /** Microseconds. */
  gatewayUs = 0;
  boardUs = 0;
  readonly #gateway: Address;
  readonly #airtimeUs: (datagramBytes: number) => number;

  /** @param onGatewayFrame - called with the number of frames of the gateway so far, lost or not */
  constructor(medium: Medium, gateway: LossyLink, onGatewayFrame: (frames: number) => void) {
    this.#gateway = gateway.localAddress;
    this.#airtimeUs = (datagramBytes) => gateway.airtimeUs(datagramBytes);
    medium.observe(({ from, datagram, copy }) => {
      if (copy) return;
      this.#count(from, datagram.length);
      if (this.#isGateway(from)) onGatewayFrame(this.gatewayFrames);
    });
  }

  #count(from: Address, datagramBytes: number): void {
    const airUs = this.#airtimeUs(datagramBytes);
    if (this.#isGateway(from)) {
      this.gatewayFrames++;
      this.gatewayUs += airUs;
    } else this.boardUs += airUs;
  }

  #isGateway(address: Address): boolean {
    return Buffer.compare(address, this.#gateway) === 0;
  }
}
