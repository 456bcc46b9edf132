/**
 * @file
 * The program of a bridge: a board on a serial port that forwards datagrams between the line and
 * its radio, by packages/serial-bridge/BRIDGE.md. It stands beside the endpoint of fardel.h and
 * needs nothing of it: a bridge forwards, it has no messages.
 *
 * C99, no allocation, no globals, no recursion, no standard library beyond memcpy, memmove, memset
 * and memcmp. Everything lives in one block of memory that the caller owns. All functions are
 * called from one task: what interrupts bring waits in the caller's ring buffers until then.
 *
 * After each of the other functions, or a burst of them, call fardel_bridge_poll(), then
 * fardel_bridge_output() as long as the port takes bytes; examples/bridge.c is a whole program.
 *
 * Times are microseconds of a clock that counts through all 32 bits and wraps around.
 */
#ifndef FARDEL_BRIDGE_H
#define FARDEL_BRIDGE_H

#include <stddef.h>
#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

/** Smallest and largest datagram size of a radio, bytes. */
#define FARDEL_BRIDGE_MTU_MIN 20
#define FARDEL_BRIDGE_MTU_MAX 1500
/** Longest address, bytes. */
#define FARDEL_BRIDGE_ADDRESS_MAX 18
/** Most datagrams that a bridge holds for its radio. */
#define FARDEL_BRIDGE_QUEUE_MAX 64
/** Longest name, and longest line of text, bytes of UTF-8. */
#define FARDEL_BRIDGE_NAME_MAX 64
#define FARDEL_BRIDGE_TEXT_MAX 200
/** Lines of text that wait for the port at most, whatever room there is. */
#define FARDEL_BRIDGE_LINES_MAX 4
/** Signal strength of a datagram: not known. */
#define FARDEL_BRIDGE_RSSI_UNKNOWN (-128)
/** fardel_bridge_poll() wants to be called within this time even if nothing happens: 15 minutes. */
#define FARDEL_BRIDGE_POLL_US_MAX 900000000u

/** Results of functions. Text: fardel_bridge_text(). */
enum {
  FARDEL_BRIDGE_OK = 0,
  FARDEL_BRIDGE_INVALID = -1,  /**< A field of the config is out of its range; incarnation 0. */
  FARDEL_BRIDGE_NO_MEMORY = -2 /**< The block is smaller than fardel_bridge_bytes(). */
};

/** What became of a datagram: fardel_bridge_outcome(). The numbers are those of the line. */
enum {
  FARDEL_BRIDGE_SENT = 1,             /**< It has left. */
  FARDEL_BRIDGE_ACKNOWLEDGED = 2,     /**< ... and the neighbour's radio has acknowledged it. */
  FARDEL_BRIDGE_NOT_ACKNOWLEDGED = 3, /**< ... and the neighbour's radio has not. */
  FARDEL_BRIDGE_UNKNOWN = 6,          /**< The radio cannot say. */
  FARDEL_BRIDGE_NOT_TAKEN = 7         /**< The radio did not take it; it did not leave. */
};

/** What became of an order to set the channel. */
enum {
  FARDEL_BRIDGE_CHANNEL_SET = 0,
  /** The radio, or local rules, refuse this channel. */
  FARDEL_BRIDGE_CHANNEL_NOT_ALLOWED = 1,
  /** The answer of `set_channel` only: fardel_bridge_channel_set() follows. */
  FARDEL_BRIDGE_CHANNEL_LATER = 2
};

/** What the radio can do. */
enum {
  /** The address of all ones reaches everybody. */
  FARDEL_BRIDGE_CAN_BROADCAST = 1,
  /** Outcomes tell whether the neighbour has acknowledged. */
  FARDEL_BRIDGE_TELLS_ACKNOWLEDGEMENT = 4
};

/** How frames are delimited. The host must be set to the same. */
enum { FARDEL_BRIDGE_COBS = 0, FARDEL_BRIDGE_SLIP = 1 };

typedef struct fardel_bridge fardel_bridge;

/** What a bridge is made of. Constant while it is open; may lie in flash. */
typedef struct fardel_bridge_config {
  /** Given to every callback. */
  void *context;
  /** Address of the radio, `address_bytes` long. */
  const uint8_t *address;
  /** Of board and program, for people: UTF-8, at most FARDEL_BRIDGE_NAME_MAX bytes. NULL: none. */
  const char *name;
  /**
   * A datagram of n bytes keeps the medium busy for airtime_fixed_us microseconds and n times
   * airtime_per_byte_ns nanoseconds. Both 0: not known.
   */
  uint32_t airtime_per_byte_ns;
  uint16_t airtime_fixed_us;
  /** Largest datagram, FARDEL_BRIDGE_MTU_MIN to FARDEL_BRIDGE_MTU_MAX bytes. */
  uint16_t mtu_bytes;
  /**
   * Room for lines of text that wait for the port, each with 2 bytes more; 0: no text. When full:
   * the newest is dropped.
   */
  uint16_t text_bytes;
  /** Length of every address, 1 to FARDEL_BRIDGE_ADDRESS_MAX. */
  uint8_t address_bytes;
  /** Datagrams held for the radio, 1 to FARDEL_BRIDGE_QUEUE_MAX. The host never hands over more. */
  uint8_t queue;
  /**
   * Datagrams heard that may wait for the port, 1 to 255; 4 to 8 are enough. When full: the newest
   * is dropped.
   */
  uint8_t heard;
  /** Places in the radio's table of peers; 0: it needs none. */
  uint8_t peers;
  /** Datagrams that the radio takes before the outcome of the first is in, at least 1. */
  uint8_t radio_depth;
  /** Radio channel at first, 1 to 255; 0: none, or not known. */
  uint8_t channel;
  /** FARDEL_BRIDGE_CAN_BROADCAST, FARDEL_BRIDGE_TELLS_ACKNOWLEDGEMENT, or both added. */
  uint8_t abilities;
  /** FARDEL_BRIDGE_COBS or FARDEL_BRIDGE_SLIP. */
  uint8_t framing;
  /**
   * Hands a datagram to the radio. The bytes stay where they are until its outcome is in, by
   * fardel_bridge_outcome() with this ticket, or for a second if that stays away. The outcome may
   * come before this returns.
   * @returns 0 if it is taken; anything else: not, and the host is told so
   */
  int (*transmit)(void *context, uint16_t ticket, const uint8_t *to, const uint8_t *datagram,
                  uint16_t bytes);
  /**
   * Puts an address into the radio's table; there is a free place. NULL if `peers` is 0.
   * @returns 0, or anything else if it is not in: the datagram for it is then not taken
   */
  int (*put_in)(void *context, const uint8_t *address);
  /** Puts one out; no datagram to it is with the radio. NULL if `peers` is 0. */
  void (*put_out)(void *context, const uint8_t *address);
  /**
   * Sets the radio channel, 1 to 255. NULL if that is not possible. Refuse what is not allowed
   * where the board stands.
   * @returns FARDEL_BRIDGE_CHANNEL_SET, _NOT_ALLOWED or _LATER
   */
  int (*set_channel)(void *context, uint8_t channel);
} fardel_bridge_config;

/*
 * What a bridge holds, for the size of its memory alone. Nothing here is for applications, and any
 * of it may change.
 */

#define FARDEL_BRIDGE_COUNTS 13

/** A datagram for the radio. Its address and bytes lie apart, in `slot`. */
typedef struct fardel_bridge_place {
  /** Counts the tokens of a session, and so does not come round like the token, its low byte. */
  uint32_t number;
  /** When the radio is held to be silent about it. */
  uint32_t silent_us;
  uint16_t bytes;
  /** Names it while it is with the radio; 0: it waits. */
  uint16_t ticket;
  uint8_t slot;
  /** 0: it belongs to an earlier session, and its outcome is nobody's business. */
  uint8_t is_wanted;
} fardel_bridge_place;

struct fardel_bridge {
  const fardel_bridge_config *config;
  /** All places there are: taken ones in the order of their tokens, then free ones. */
  fardel_bridge_place *places;
  /** For each slot an address and a datagram. */
  uint8_t *slots;
  /** The radio's table: the address that was sent to longest ago first. */
  uint8_t *table;
  /** What became of the last `queue` tokens, each at its place; 0: not finished. */
  uint8_t *outcomes;
  /** Those of them that are finished, in the order in which they finished. */
  uint8_t *finished;
  /** A ring: length, RSSI, sender, datagram. */
  uint8_t *heard;
  /** Level, length and text of each line. */
  uint8_t *lines;
  /** What has come since the last delimiter, unstuffed. */
  uint8_t *input;
  /** The frame that is on its way out, not stuffed yet. */
  uint8_t *output;

  uint32_t incarnation;
  /** Number of the host that it is in session with; 0: none. */
  uint32_t host;
  uint32_t host_silent_us;
  uint32_t unasked_hello_us;
  /** When the last whole second since boot was over. */
  uint32_t second_us;
  uint32_t hello_host;
  uint32_t next_number;
  uint32_t counts[FARDEL_BRIDGE_COUNTS];

  uint16_t input_length;
  uint16_t output_length;
  uint16_t output_at;
  uint16_t lines_length;
  uint16_t last_ticket;

  uint8_t input_run;
  uint8_t input_flags;
  uint8_t output_run;
  uint8_t output_step;
  uint8_t flags;
  uint8_t channel;
  uint8_t wanted_channel;
  uint8_t wanted_request;
  uint8_t hello_channel;
  uint8_t answer_request;
  uint8_t answer_result;
  uint8_t answer_channel;
  uint8_t status_request;
  uint8_t statistics_request;
  uint8_t held;
  uint8_t with_radio;
  uint8_t table_count;
  uint8_t next_place;
  uint8_t finished_count;
  uint8_t untold;
  uint8_t heard_first;
  uint8_t heard_count;
  uint8_t sequence;
  uint8_t agains;
  uint8_t lines_count;
  uint8_t implied_to[FARDEL_BRIDGE_ADDRESS_MAX];
  uint8_t implied_from[FARDEL_BRIDGE_ADDRESS_MAX];
};

/* Longest frame with its CRC-16: a SEND to the bridge; a RECEIVED or a LOG to the host. */
#define FARDEL_BRIDGE_INPUT_BYTES(mtu_bytes, address_bytes) \
  ((size_t)(mtu_bytes) + (size_t)(address_bytes) + 4)
#define FARDEL_BRIDGE_OUTPUT_BYTES(mtu_bytes, address_bytes)                                      \
  ((mtu_bytes) + (address_bytes) + 3 > FARDEL_BRIDGE_TEXT_MAX + 2                                 \
       ? (size_t)(mtu_bytes) + (size_t)(address_bytes) + 5                                        \
       : (size_t)FARDEL_BRIDGE_TEXT_MAX + 4)

/**
 * Bytes of memory that a bridge needs, for arrays of a size that is known when compiling. Memory
 * must be aligned for pointers: an array of `void *` is; see examples/bridge.c.
 */
#define FARDEL_BRIDGE_BYTES(mtu_bytes, address_bytes, queue, peers, heard, text_bytes)            \
  (sizeof(fardel_bridge) +                                                                        \
   (size_t)(queue) * (sizeof(fardel_bridge_place) + (size_t)(mtu_bytes) + (address_bytes) + 2) +  \
   (size_t)(peers) * (address_bytes) +                                                            \
   (size_t)(heard) * ((size_t)(mtu_bytes) + (address_bytes) + 3) + (size_t)(text_bytes) +         \
   FARDEL_BRIDGE_INPUT_BYTES(mtu_bytes, address_bytes) +                                          \
   FARDEL_BRIDGE_OUTPUT_BYTES(mtu_bytes, address_bytes))

/** The same for a config. @returns 0 if the config is not possible */
size_t fardel_bridge_bytes(const fardel_bridge_config *config);

/**
 * Opens a bridge in `memory`, which stays the library's until it is no longer used. The board has
 * just booted: the radio's table is empty.
 * @param incarnation another one at each boot, not 0: random bits, or a count in memory that lasts
 * @returns FARDEL_BRIDGE_OK, FARDEL_BRIDGE_INVALID, FARDEL_BRIDGE_NO_MEMORY
 */
int fardel_bridge_open(fardel_bridge **bridge, void *memory, size_t bytes,
                       const fardel_bridge_config *config, uint32_t incarnation, uint32_t now_us);

/** Bytes from the serial port, cut anywhere. Must not be called from within a callback. */
void fardel_bridge_bytes_received(fardel_bridge *bridge, const uint8_t *bytes, size_t count,
                                  uint32_t now_us);

/**
 * The radio has heard a datagram, for this board or for everybody.
 * @param rssi_dbm FARDEL_BRIDGE_RSSI_UNKNOWN if it is not known
 */
void fardel_bridge_heard(fardel_bridge *bridge, const uint8_t *from, const uint8_t *datagram,
                         uint16_t bytes, int8_t rssi_dbm);

/**
 * What became of the datagram with this ticket: FARDEL_BRIDGE_SENT, ... Any other value counts as
 * FARDEL_BRIDGE_UNKNOWN. Tickets that are not with the radio, or no longer, are ignored.
 */
void fardel_bridge_outcome(fardel_bridge *bridge, uint16_t ticket, int outcome);

/** What `set_channel` said would come later: FARDEL_BRIDGE_CHANNEL_SET or _NOT_ALLOWED. */
void fardel_bridge_channel_set(fardel_bridge *bridge, int result);

/** The radio's channel has changed by itself. */
void fardel_bridge_channel_changed(fardel_bridge *bridge, uint8_t channel);

/**
 * A line of text for the host, with or without a session. Too many at once: the newest are dropped.
 * @param level severity of RFC 5424: 3 error, 4 warning, 6 information, 7 debug
 * @param text UTF-8, cut after FARDEL_BRIDGE_TEXT_MAX bytes
 */
void fardel_bridge_log(fardel_bridge *bridge, uint8_t level, const char *text);

/**
 * Does what is due, and hands datagrams to the radio. Not from within a callback.
 * @returns microseconds until it wants to be called again, at most FARDEL_BRIDGE_POLL_US_MAX
 */
uint32_t fardel_bridge_poll(fardel_bridge *bridge, uint32_t now_us);

/**
 * The next bytes for the serial port. Ask for as many as the port takes now, one at a time if need
 * be: answers then go ahead of what else waits.
 * @returns bytes written to `into`, at most `max`; less: nothing more waits
 */
size_t fardel_bridge_output(fardel_bridge *bridge, uint8_t *into, size_t max, uint32_t now_us);

/** Whether fardel_bridge_output() has bytes. A program that sleeps looks at this first. */
int fardel_bridge_has_output(const fardel_bridge *bridge);

/** Whether a host is in session with it. What the board switches must be safe when none is. */
int fardel_bridge_in_session(const fardel_bridge *bridge);

/** A plain sentence for a result, in flash. */
const char *fardel_bridge_text(int result);

#ifdef __cplusplus
}
#endif
#endif
