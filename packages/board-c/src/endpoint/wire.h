/* Bytes to frames and back: PROTOCOL.md, sections 2 and 3. Knows no state. */
#ifndef FARDEL_WIRE_H
#define FARDEL_WIRE_H

#include <stddef.h>
#include <stdint.h>

#define SHORT_HEAD_BYTES 3
#define LONG_HEAD_BYTES 13
#define CRC_BYTES 2
#define DATA_HEAD_BYTES 3
#define HELLO_BYTES 4
#define ACK_BYTES 7
#define SKIP_BYTES 3
#define LOOSE_HEAD_BYTES 4
#define STOP_BYTES 4
#define MESSAGE_CRC_BYTES 4
#define NO_SESSION_BYTES 16
#define LOOSE_FRAGMENTS_MAX 128

/* First byte of a datagram. */
#define HEAD_SHORT 0x40
#define HEAD_LONG 0x50
#define HEAD_LONG_BIT 0x10
#define HEAD_ASK 0x03
enum { ASK_NONE, ASK_NOW, ASK_NEXT, ASK_AFTER_NEXT };

/* First byte of a frame, without channel. */
enum {
  TYPE_PAD = 0x00,
  TYPE_ACK = 0x10,
  TYPE_SKIP = 0x20,
  TYPE_HELLO = 0x30,
  TYPE_STOP = 0x40,
  TYPE_CLOSE = 0x50,
  TYPE_NO_SESSION = 0x51,
  TYPE_LOOSE = 0x60,
  TYPE_EXTENSION = 0x70,
  TYPE_DATA = 0x80
};

/* DATA */
#define DATA_FIRST 0x40
#define DATA_LAST 0x20
#define DATA_LENGTH 0x10
/* LOOSE */
#define LOOSE_LENGTH 0x08
#define LOOSE_FRAGMENTED 0x04
#define LOOSE_LAST 0x80
/* ACK */
#define ACK_PROMPT 0x80
#define ACK_CUT 0x40

enum { STOP_TOO_LARGE = 1, STOP_UNWANTED = 2, STOP_DAMAGED = 3 };

typedef struct fdl_frame {
  /** TYPE_ without flags and channel. */
  uint8_t type;
  uint8_t channel;
  /** DATA: DATA_FIRST, DATA_LAST. LOOSE: LOOSE_FRAGMENTED, LOOSE_LAST. ACK: ACK_PROMPT, ACK_CUT. */
  uint8_t flags;
  /** ACK, HELLO: window. STOP, CLOSE: reason. LOOSE: index. */
  uint8_t value;
  /** DATA: fragment. ACK, SKIP: next. STOP: first. HELLO: MTU. LOOSE: id. */
  uint16_t number;
  /** ACK: largest. */
  uint16_t largest;
  /** DATA, first and not last: bytes of the message; 0: not told, UINT32_MAX: 2^32 - 1 or more. */
  uint32_t total;
  /** DATA, LOOSE, last of several: CRC-32 of the message. */
  uint32_t crc;
  /** DATA, LOOSE: the message's. ACK: map. */
  const uint8_t *bytes;
  uint16_t count;
  /** DATA: all that lies behind the fixed head. */
  uint16_t body_count;
  const uint8_t *body;
  /** Where the next frame is read, and the end of all. */
  const uint8_t *at;
  const uint8_t *end;
} fdl_frame;

uint16_t fdl_get_u16(const uint8_t *bytes);
uint32_t fdl_get_u32(const uint8_t *bytes);
uint8_t *fdl_put_u16(uint8_t *at, uint16_t value);
uint8_t *fdl_put_u32(uint8_t *at, uint32_t value);

/** Bytes of a varint: 1, 2 or 4. @param value below 2^30 */
uint8_t fdl_varint_bytes(uint32_t value);
uint8_t *fdl_put_varint(uint8_t *at, uint32_t value);

/**
 * What lies behind the fixed head of a DATA frame: total, message bytes, CRC-32.
 * @param shape DATA_FIRST, DATA_LAST
 * @returns 0, or less: malformed
 */
int fdl_read_body(fdl_frame *frame, uint8_t shape, const uint8_t *bytes, uint16_t count);

/**
 * Reads the next frame that is not PAD, from `at` on.
 * @returns 1, 0 at the end, less: malformed
 */
int fdl_read_frame(fdl_frame *frame);

/** ... all are well formed; NO-SESSION alone; there is one that asks for an ack. */
enum { FRAMES_GOOD = 1, FRAMES_NO_SESSION = 2, FRAMES_ELICIT = 3 };
/** Whether all frames are well formed, before any is handled. @returns FRAMES_; 0: malformed */
int fdl_check_frames(const uint8_t *at, const uint8_t *end);

/** Register of the CRC-16 of a datagram, its own CRC included; section 2.4. */
uint16_t fdl_datagram_crc(const uint8_t *datagram, uint16_t bytes, uint32_t token_to,
                      uint32_t token_from, uint32_t number);

/** A datagram that came, and what its head says. */
typedef struct fdl_incoming {
  /** Of the long form; else 0. */
  uint32_t from;
  uint32_t to;
  /** Of the short form only once it is completed. */
  uint32_t number;
  const uint8_t *bytes;
  uint16_t count;
  /** Something in it wants an ack. */
  uint8_t elicits;
#ifdef FARDEL_PROTECTED
  uint16_t frames_bytes;
  /** Of a protected one: its frames in plain. */
  const uint8_t *frames;
  /** Under which key it was right; 0: not known. */
  uint32_t key_mark;
#endif
} fdl_incoming;

int fdl_is_long(const fdl_incoming *in);
void fdl_begin_frames(fdl_frame *frame, const fdl_incoming *in);
/** Whether it is undamaged, in a session with these tokens. @returns as fdl_check_frames() */
int fdl_check(fdl_incoming *in, uint32_t token_to, uint32_t token_from);

/** Whether the first byte, and the length, are those of a datagram of this version. */
int fdl_is_datagram(const uint8_t *datagram, uint16_t bytes);

#endif
