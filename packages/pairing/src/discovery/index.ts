export { type AnnouncedFacts, type AnnounceOptions, Announcing, announce } from "./announce.js";
export { ANNOUNCED_NAME_BYTES_MAX, type Announcement, KIND_BYTES_MAX } from "./announce-body.js";
export { discover } from "./discover.js";
export type { DiscoverMode, DiscoverOptions } from "./discover-options.js";
export { Discovery } from "./discovery.js";
export type { Found } from "./found-table.js";
export {
  chooseNearest,
  NEARNESS_DEFAULTS,
  type Nearness,
  type NearnessDoubt,
  type NearnessOptions,
} from "./nearness.js";
