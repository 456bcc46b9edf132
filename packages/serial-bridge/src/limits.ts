/**
 * Times and limits of BRIDGE.md, each with its section. Times are microseconds.
 *
 * @see BRIDGE.md, section 12
 */

// ---- sizes and numbers

/** Lowest version of the bridge protocol that this library speaks (section 4.1). */
export const VERSION_MIN = 1;
/** Highest one. */
export const VERSION_MAX = 1;
/** Smallest "largest datagram" of a bridge (section 5.1): what the endpoints need at least. */
export const MTU_BYTES_MIN = 20;
/** Largest one (section 5.1). */
export const MTU_BYTES_MAX = 1500;
/** Most datagrams that a bridge holds (section 5.1): tokens modulo 256 stay far from ambiguous. */
export const QUEUE_MAX = 64;
/** Longest address (section 1): an IPv6 address and a port. */
export const ADDRESS_BYTES_MAX = 18;
/** Longest name of a bridge, UTF-8 (section 5.1). */
export const NAME_BYTES_MAX = 64;
/** Longest text of a LOG, UTF-8 (section 5.6). */
export const LOG_BYTES_MAX = 200;
/** Least severe level of a LOG: debug (section 5.6). */
export const LOG_LEVEL_MAX = 7;
/** Room for a body to the host (section 12): a LOG may come before the datagram size is known. */
export const HOST_BODY_BYTES_MIN = 2 + LOG_BYTES_MAX;
/** Room for a body to the bridge (section 12): a HELLO? always fits. */
export const BRIDGE_BODY_BYTES_MIN = 7;
/** Short frames in a row, after one with an address and without a pause (section 3). */
export const AGAIN_MAX = 3;
/** Outcomes in a STATUS that nobody asked for (section 5.4). */
export const UNASKED_OUTCOMES_MAX = 4;

// ---- times of the host

/** HELLO? is repeated until it is answered (sections 6 and 12). */
export const HELLO_REPEAT_US = 250_000;
/** No HELLO at one bit rate (section 12). */
export const ANSWER_US = 3_000_000;
/** Outcomes stay away, to be added to twice the line's time (section 12). */
export const STATUS_AFTER_US = 200_000;
/** Nothing heard from the bridge (section 12). */
export const IDLE_QUESTION_US = 2_000_000;
/** No good frame after a question (section 12). */
export const SILENCE_US = 3_000_000;
/** First wait before a port that is gone is opened again (section 12). */
export const REOPEN_US = 250_000;
/** Longest wait: it doubles up to here (section 12). */
export const REOPEN_US_MAX = 5_000_000;
/** A CHANNEL? or STATISTICS? without an answer is asked again, 5 times in all (section 10). */
export const CHANNEL_REPEAT_US = 1_000_000;

// ---- times of the bridge

/** No good frame from the host ends the session (sections 6 and 12). */
export const HOST_SILENCE_US = 10_000_000;
/** The radio does not say what became of a datagram (sections 7 and 12). */
export const RADIO_SILENCE_US = 1_000_000;
/** HELLO of a bridge without a session, at most once in this time (section 6). */
export const UNASKED_HELLO_US = 100_000;
