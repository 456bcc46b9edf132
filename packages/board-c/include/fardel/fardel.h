/**
 * @file
 * Fardel for small boards: carries whole messages over tiny lossy datagrams, in the protocol of
 * packages/core/PROTOCOL.md ("a small peer", section 13).
 *
 * C99, no allocation, no globals, no recursion, no standard library beyond memcpy, memmove, memset
 * and memcmp. Everything lives in one block of memory that the caller owns. All functions are called
 * from one task; see inbox.h for what comes from interrupts and other tasks.
 *
 * Times are microseconds of a clock that counts through all 32 bits and wraps around. Nothing here
 * may take longer than half its range, 35 minutes.
 */
#ifndef FARDEL_FARDEL_H
#define FARDEL_FARDEL_H

#include <stddef.h>
#include <stdint.h>

#ifdef FARDEL_PROTECTED
#include "crypto.h"
#endif

#ifdef __cplusplus
extern "C" {
#endif

/*
 * FARDEL_SMALL, defined for all files alike, makes a smaller endpoint (README.md, "Footprint"), within what
 * PROTOCOL.md leaves to a small peer:
 * - No candidates: an opening that names another session ends the one that there is at once. So whoever sends
 *   an old first datagram of the peer again ends its session, and what is under way fails as
 *   FARDEL_PEER_RESTARTED or is sent again. A full endpoint asks the peer first.
 * - Unacknowledged messages go and come in one datagram. Longer ones are FARDEL_TOO_LARGE here, and are not
 *   taken from a peer.
 *
 * FARDEL_ONE_PEER makes it smaller once more: `peers` of the config must be 1.
 *
 * FARDEL_PROTECTED, defined for all files alike, makes an endpoint that speaks protected sessions (PROTOCOL.md,
 * section 17) with every address that it has a key for, and in plain with the others. It needs src/crypto
 * besides, and does not go with FARDEL_SMALL.
 */

/** Bytes of a hardware address. */
#ifndef FARDEL_ADDRESS_BYTES
#define FARDEL_ADDRESS_BYTES 6
#endif
/** Fragments under way to one peer at most: the window of the sending side. 1 to 64. */
#ifndef FARDEL_SEND_WINDOW
#define FARDEL_SEND_WINDOW 8
#endif
/** Most fragments that a channel may be ahead of its first missing one: the largest `window`. */
#define FARDEL_WINDOW_MAX 32
/** Smallest and largest MTU of a link, bytes. */
#define FARDEL_MTU_MIN 20
#define FARDEL_MTU_MAX 1500
/** Datagrams with the link at once at most. */
#define FARDEL_LINK_DEPTH_MAX 4
/** Channels of a session: 0-5 ordered, 6-9 unordered, 10-13 latest value, 14 and 15 requests. */
#define FARDEL_CHANNELS 16
/** Add a lane, 0 to 3, for a message that is sent once and never acknowledged. */
#define FARDEL_LOOSE 16
/** What fardel_poll() returns if it need not be called again before something happens. */
#define FARDEL_NEVER UINT32_MAX

/** Results of functions, and how messages end. Text: fardel_text(). */
enum {
  FARDEL_OK = 0,
  /** The message has arrived whole. */
  FARDEL_DELIVERED = 1,
  /** An unacknowledged message has left. */
  FARDEL_SENT = 2,
  /** A newer value was sent on its channel before it was acknowledged. */
  FARDEL_REPLACED = 3,
  FARDEL_INVALID = -1,          /**< An argument is out of its range. */
  FARDEL_NO_MEMORY = -2,        /**< The block is smaller than fardel_bytes(). */
  FARDEL_NO_PEER = -3,          /**< All peers are in use; see fardel_forget(). */
  FARDEL_IN_USE = -4,           /**< The message struct is still being sent. */
  FARDEL_TOO_LARGE = -5,        /**< More than 65,000 fragments, or than 128 unacknowledged ones (FARDEL_SMALL: one). */
  FARDEL_DEADLINE = -6,         /**< The deadline passed. */
  FARDEL_CANCELLED = -7,        /**< fardel_cancel(), or fardel_close(). */
  FARDEL_REFUSED = -8,          /**< The peer does not take it. */
  FARDEL_DAMAGED = -9,          /**< It arrived damaged, four times. */
  FARDEL_PEER_RESTARTED = -10,  /**< The peer has restarted; it may or may not have arrived. */
  FARDEL_UNREACHABLE = -11,     /**< Nothing was heard from the peer for 30 seconds. */
  FARDEL_PEER_CLOSED = -12,     /**< The peer has ended the session. */
  FARDEL_UNREADABLE = -13,      /**< A read callback failed. */
  FARDEL_PEER_REVOKED = -14     /**< Its key was revoked: it is not spoken to. */
};

/** What the link says of a datagram: fardel_outcome(). */
enum {
  FARDEL_LEFT = 0,             /**< It has left. */
  FARDEL_ACKNOWLEDGED = 1,     /**< ... and the neighbour's radio has acknowledged it. */
  FARDEL_NOT_ACKNOWLEDGED = 2, /**< ... and the neighbour's radio has not. */
  FARDEL_NOT_SENT = 3          /**< It did not leave: try again later. */
};

/** Priority of a message. */
enum { FARDEL_BULK = 0, FARDEL_NORMAL = 1, FARDEL_URGENT = 2 };

/** Kind of a message on channels 14 and 15. */
enum { FARDEL_MESSAGE = 0, FARDEL_REQUEST = 1, FARDEL_REPLY = 2, FARDEL_FAILURE = 3 };

/** Options of a message. */
enum {
  /** If the peer restarts while it is under way, send it again: it may arrive twice. */
  FARDEL_RESEND = 1,
  /** Wait until the session is open: a stale first datagram cannot deliver it again. */
  FARDEL_HANDSHAKE = 2
};

typedef struct fardel_endpoint fardel_endpoint;
typedef struct fardel_message fardel_message;

/**
 * A message on its way out. The struct and its bytes belong to the library from fardel_send() to the
 * call of `ended`. Set all fields of the first part, the rest to 0: `fardel_message m = {0}`.
 */
struct fardel_message {
  /** Its bytes, or NULL if `read` is given. */
  const uint8_t *bytes;
  /**
   * Puts `count` bytes from `offset` on into `into`. Called for the same bytes again when they were
   * lost, and must give the same. Must not call into the library, except fardel_send().
   * @returns 0, or less: the message fails as FARDEL_UNREADABLE
   */
  int (*read)(fardel_message *message, uint32_t offset, uint8_t *into, uint16_t count);
  /** Anything. */
  void *context;
  /** Bytes, 0 or more. */
  uint32_t length;
  /** Time from fardel_send() on after which it fails, microseconds; 0: none. At most 30 minutes. */
  uint32_t deadline_us;
  /** Of a request, or of the request that this replies to. Only channels 14 and 15. */
  uint16_t id;
  /** FARDEL_REQUEST, FARDEL_REPLY or FARDEL_FAILURE on channels 14 and 15, else FARDEL_MESSAGE. */
  uint8_t kind;
  /** 0 to 15, or FARDEL_LOOSE + 0 to 3. */
  uint8_t channel;
  /** FARDEL_BULK, FARDEL_NORMAL, FARDEL_URGENT. */
  uint8_t priority;
  /** FARDEL_RESEND, FARDEL_HANDSHAKE, or both added. */
  uint8_t options;

  /* The library's. */
  uint8_t state;
  uint8_t times_damaged;
  fardel_message *next;
  uint32_t due_us;
  uint32_t crc;
  /** Bytes of each fragment but the first and the last. */
  uint16_t piece;
  /** Number of its first fragment; how many are cut; how many of those are not acknowledged. */
  uint16_t first;
  uint16_t cut;
  uint16_t open;
  /** How many of them are in `crc`. */
  uint16_t summed;
};

/** What part of a message an arrival is. */
enum {
  FARDEL_FIRST = 1,
  /** The message is whole and its checksum is right. */
  FARDEL_LAST = 2,
  /** Nothing more will come of a message that had begun: forget it. Only `address` and `channel` are set. */
  FARDEL_BROKEN = 4
};

/**
 * A piece of a message that has arrived. Pieces of one message come in order. Those of messages on
 * other channels, and from other peers, may come in between. Do nothing with a message before its piece
 * with FARDEL_LAST.
 */
typedef struct fardel_arrival {
  const uint8_t *address;
  const uint8_t *bytes;
  uint16_t count;
  /** Of a request, or of the request that this replies to: in the first piece, 0 in later ones. */
  uint16_t id;
  /** Where the piece belongs in its message. */
  uint32_t offset;
  /** Bytes of the whole message; 0: not told. */
  uint32_t total;
  /** FARDEL_FIRST, FARDEL_LAST, both added, none, or FARDEL_BROKEN. */
  uint8_t part;
  /** 0 to 15, or FARDEL_LOOSE + 0 to 3. */
  uint8_t channel;
  /** FARDEL_MESSAGE, FARDEL_REQUEST, FARDEL_REPLY, FARDEL_FAILURE: in the first piece, 0 in later ones. */
  uint8_t kind;
} fardel_arrival;

/** What `receive` answers. */
enum {
  FARDEL_TAKEN = 0,
  /** Not now: the sender waits, and the piece comes again after fardel_resume(). */
  FARDEL_BUSY = 1,
  /** Never: the sender is told that this message is not wanted. */
  FARDEL_UNWANTED = 2
};

/** What `session` tells. */
enum { FARDEL_OPENED = 1, FARDEL_ENDED = 2 };

/** What an endpoint needs. Constant while it is open; may lie in flash. */
typedef struct fardel_config {
  /** Given to every callback. */
  void *context;
  /** Largest datagram of the link, FARDEL_MTU_MIN to FARDEL_MTU_MAX bytes. */
  uint16_t mtu_bytes;
  /** Peers at once, 1 to 254. */
  uint8_t peers;
  /** Fragments that each channel takes beyond its first missing one, 1 to FARDEL_WINDOW_MAX. */
  uint8_t window;
  /** Fragments that may wait behind a gap, for all channels and peers together. For one peer: `window` - 1. */
  uint8_t buffers;
  /** Datagrams that the link takes before their outcomes are in, 1 to FARDEL_LINK_DEPTH_MAX. */
  uint8_t link_depth;
  /** Largest message that is taken, bytes; 0: any. */
  uint32_t message_bytes_max;
  /**
   * Hands a datagram to the link, which copies it before it returns. If it is taken, its outcome
   * must follow by fardel_outcome() with this ticket.
   * @returns 0 if it is taken; less if not: tried again in a millisecond
   */
  int (*transmit)(void *context, const uint8_t *address, const uint8_t *datagram, uint16_t bytes,
                  uint8_t ticket);
  /** 32 random bits, from a good source: they name sessions. */
  uint32_t (*random)(void *context);
  /**
   * A piece of a message. May call fardel_send().
   * @returns FARDEL_TAKEN, FARDEL_BUSY or FARDEL_UNWANTED; ignored with FARDEL_BROKEN. A first piece
   * that is not taken counts as never begun. Unacknowledged messages do not come again.
   */
  int (*receive)(void *context, const fardel_arrival *arrival);
  /**
   * A message has ended: FARDEL_DELIVERED, FARDEL_SENT, FARDEL_REPLACED or an error. May call
   * fardel_send(), which itself ends nothing: no message ends within the end of another one.
   */
  void (*ended)(void *context, fardel_message *message, int result);
  /**
   * A session has opened or ended, for `reason` as messages end. May be NULL. May call fardel_send(). The
   * only callback that also comes from within fardel_send(): of a peer that makes room for another one.
   */
  void (*session)(void *context, const uint8_t *address, int what, int reason);
#ifdef FARDEL_PROTECTED
  /** The ciphers: `sha256`, `seal` and `open` are used. */
  const fardel_crypto *crypto;
  /**
   * The pair keys for an address: the one in use first, then from the newest to the oldest. Asked for each datagram,
   * and may be asked again within the same call of the library. NULL: everything is in plain.
   * @returns how many, up to FARDEL_KEYS_MAX; 0: it is spoken to in plain; FARDEL_REVOKED: not at all
   */
  int (*keys)(void *context, const uint8_t *address, const fardel_pair_key **keys);
  /**
   * A datagram that names tokens was right under this key: if it is newer than the one in use, use it from now on, and
   * forget the older ones. Called often; must not call into the library, but for fardel_pairing_right().
   */
  void (*right)(void *context, const uint8_t *address, const fardel_pair_key *key);
#endif
} fardel_config;

/** Counts of a peer that is known, and what is known about the way to it. */
typedef struct fardel_peer_info {
  /** Smoothed round trip, microseconds; 0: not measured. */
  uint32_t round_trip_us;
  /** When the last datagram came. */
  uint32_t heard_us;
  uint32_t datagrams_sent;
  uint32_t datagrams_received;
  /** Fragments that were sent again. */
  uint32_t repeated;
  /** Signal strength of the last datagram, dBm; 0: not known. */
  int8_t rssi_dbm;
  /** A session is open. */
  uint8_t is_open;
} fardel_peer_info;

#include "private.h"

/**
 * Bytes of memory that an endpoint needs, for arrays of a size that is known when compiling. Memory
 * must be aligned for pointers: `static void *memory[(FARDEL_BYTES(250, 1, 7) + sizeof(void *) - 1) / sizeof(void *)];`
 */
#define FARDEL_BYTES(mtu_bytes, peers, buffers)                                             \
  (sizeof(fardel_endpoint) + (size_t)(peers) * sizeof(fardel_peer) +                        \
   (size_t)(buffers) * (sizeof(fardel_buffer) + (size_t)(mtu_bytes) - FARDEL_AROUND_BYTES) + \
   (size_t)(mtu_bytes))

/** The same for a config. @returns 0 if the config is not possible */
size_t fardel_bytes(const fardel_config *config);

/**
 * Opens an endpoint in `memory`, which stays the library's until it is no longer used.
 * @returns FARDEL_OK, FARDEL_INVALID, FARDEL_NO_MEMORY
 */
int fardel_open(fardel_endpoint **endpoint, void *memory, size_t bytes, const fardel_config *config,
                uint32_t now_us);

/** A datagram came. @param rssi_dbm 0: not known */
void fardel_datagram(fardel_endpoint *endpoint, const uint8_t *address, const uint8_t *datagram,
                     uint16_t bytes, int8_t rssi_dbm, uint32_t now_us);

/** What became of the datagram with this ticket: FARDEL_LEFT, ... Unknown tickets are ignored. */
void fardel_outcome(fardel_endpoint *endpoint, uint8_t ticket, int outcome, uint32_t now_us);

/**
 * Does what is due, and hands datagrams to the link. Call it after each of the other functions, or a
 * burst of them, and when the time is up that it returned.
 * @returns microseconds until it wants to be called again, or FARDEL_NEVER
 */
uint32_t fardel_poll(fardel_endpoint *endpoint, uint32_t now_us);

/**
 * Queues a message; fardel_poll() sends it. Exactly one call of `ended` follows if this returns FARDEL_OK,
 * and never from within this function: an older value of a latest-value channel ends as FARDEL_REPLACED in
 * the next fardel_poll().
 *
 * If all peers are in use, one that has nothing under way makes room, and before it one that has only asked
 * something and has not proved yet that it is where it says: replies to it end as FARDEL_CANCELLED in the
 * next fardel_poll(). Not the one that the callback is about from which this is called.
 * @returns FARDEL_OK, FARDEL_INVALID, FARDEL_NO_PEER, FARDEL_IN_USE, FARDEL_TOO_LARGE
 */
int fardel_send(fardel_endpoint *endpoint, const uint8_t *address, fardel_message *message,
                uint32_t now_us);

/**
 * Ends a message as FARDEL_CANCELLED, if it has not ended; as FARDEL_REPLACED, if a newer value was sent.
 * Not from within a callback.
 */
void fardel_cancel(fardel_endpoint *endpoint, fardel_message *message, uint32_t now_us);

/** There is room again: what `receive` answered with FARDEL_BUSY comes once more. Not from within `receive`. */
void fardel_resume(fardel_endpoint *endpoint, uint32_t now_us);

/**
 * Ends the session with a peer, and tells it once, best effort. Its messages end as FARDEL_CANCELLED.
 * Not from within a callback.
 */
void fardel_close(fardel_endpoint *endpoint, const uint8_t *address, uint32_t now_us);

/** Closes, and makes room for another peer. What callbacks send to it meanwhile ends in the next fardel_poll(). */
void fardel_forget(fardel_endpoint *endpoint, const uint8_t *address, uint32_t now_us);

#ifdef FARDEL_PROTECTED
/**
 * The keys for an address were set, taken away or revoked by their owner: a session under what is not there any more
 * ends, as FARDEL_PEER_RESTARTED or FARDEL_PEER_REVOKED. What `right` changes need not be told. Not from within a
 * callback.
 */
void fardel_keys_changed(fardel_endpoint *endpoint, const uint8_t *address, uint32_t now_us);
#endif

/** The link is down, or up again. While it is down nothing is sent and nobody is given up; deadlines go on. */
void fardel_link(fardel_endpoint *endpoint, int is_up, uint32_t now_us);

/** @returns FARDEL_OK, or FARDEL_NO_PEER if nobody is known at this address */
int fardel_peer_at(const fardel_endpoint *endpoint, const uint8_t *address, fardel_peer_info *info);

/** A plain sentence for a result, in flash. */
const char *fardel_text(int result);

#ifdef __cplusplus
}
#endif
#endif
