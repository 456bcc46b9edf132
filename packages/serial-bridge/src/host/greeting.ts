import type { HelloFrame, HostFrame } from "../bridge-frames.js";
import { HELLO_REPEAT_US, VERSION_MAX, VERSION_MIN } from "../limits.js";
import type { Versions } from "./host-events.js";

/** The versions of the bridge protocol that this library speaks. */
export const OUR_VERSIONS: Versions = {
  versionMin: VERSION_MIN,
  versionMax: VERSION_MAX,
};

/** HELLO? until HELLO. @see BRIDGE.md, section 6 */
export class Greeting {
  #isDue = true;
  #repeatUs = Number.POSITIVE_INFINITY;
  readonly #overUs: number;

  /**
   * @param host - the number of the session, 1 to 2^32 - 1
   * @param patienceUs - time without an answer after which nobody is there
   */
  constructor(
    readonly host: number,
    patienceUs: number,
    nowUs: number,
  ) {
    this.#overUs = nowUs + patienceUs;
  }

  get timeoutUs(): number {
    return Math.min(this.#repeatUs, this.#overUs);
  }

  poll(nowUs: number): HostFrame | undefined {
    if (!this.#isDue) return undefined;
    this.#isDue = false;
    this.#repeatUs = nowUs + HELLO_REPEAT_US;
    return { type: "hello-request", ...OUR_VERSIONS, host: this.host };
  }

  /** @returns whether it is time to give up */
  handleTimeout(nowUs: number): boolean {
    if (nowUs >= this.#repeatUs) {
      this.#isDue = true;
      this.#repeatUs = Number.POSITIVE_INFINITY;
    }
    return nowUs >= this.#overUs;
  }

  /** Whether a HELLO answers ours. */
  isAnsweredBy(hello: HelloFrame): boolean {
    return hello.host === this.host;
  }
}

/** Whether there is a version that both speak. */
export function isCommon({ versionMin, versionMax }: Versions): boolean {
  return versionMin <= OUR_VERSIONS.versionMax && versionMax >= OUR_VERSIONS.versionMin;
}
