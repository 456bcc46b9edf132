import type { Endpoint } from "@fardel/core";
import type { DiscoverOptions } from "./discover-options.js";
import { Discovery } from "./discovery.js";

/**
 * Look for boards, now.
 *
 * ```ts
 * for await (const board of discover(gateway, { kind: "row-station" })) console.log(board.name);
 * const all = await discover(gateway).all();
 * ```
 *
 * What boards say of themselves is a claim; pairing proves it.
 *
 * @throws {@link PairingError} `invalid-option`
 */
export function discover(endpoint: Endpoint, options: DiscoverOptions = {}): Discovery {
  return new Discovery(endpoint, options);
}
