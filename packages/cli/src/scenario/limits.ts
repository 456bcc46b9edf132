/**
 * Limits of scenarios. What goes beyond one is refused before anything runs, with the number that
 * was asked for.
 */

/** A scenario file, bytes. */
export const FILE_BYTES_MAX = 1024 * 1024;
/** Lists and objects inside each other. */
export const DEPTH_MAX = 32;
/** Values of one swept field. */
export const LIST_MAX = 50;
/** Combinations of all swept fields. */
export const CASES_MAX = 1000;
/** Entries of `messages`. */
export const ENTRIES_MAX = 32;
/** Boards of one run. */
export const BOARDS_MAX = 200;
/** Messages of one run, all boards together. */
export const RUN_MESSAGES_MAX = 50_000;
/** Bytes of all messages of one run. */
export const RUN_BYTES_MAX = 64 * 1024 * 1024;
/** One message, bytes: the endpoint's default limit (PROTOCOL.md, section 11). */
export const MESSAGE_BYTES_MAX = 1024 * 1024;
/** Any instant or time span, seconds: a day. */
export const TIME_S_MAX = 86_400;
/** Delivery times kept for the percentiles of one combination. */
export const SAMPLES_MAX = 5_000_000;
/** Runs of each combination. */
export const SEEDS_MAX = 100_000;
/** Faults of a scenario that are listed. */
export const FAULTS_MAX = 50;
