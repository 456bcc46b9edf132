/* What the parts of a bridge know of each other: BRIDGE.md. */
#ifndef FARDEL_BRIDGE_PARTS_H
#define FARDEL_BRIDGE_PARTS_H

#include "fardel/bridge.h"

/* BRIDGE.md, section 12. */
#define HOST_SILENCE_US 10000000u
#define RADIO_SILENCE_US 1000000u
#define UNASKED_HELLO_US 100000u
/* Short frames in a row, after one with an address and without a pause: section 3. */
#define AGAINS_MAX 3
/* Outcomes in a STATUS that nobody asked for: section 5.4. */
#define UNASKED_OUTCOMES_MAX 4
#define VERSION 1

/* Section 2; SLIP: RFC 1055. */
#define COBS_DELIMITER 0x00
#define SLIP_DELIMITER 0xc0
#define SLIP_ESCAPE 0xdb
#define SLIP_ESCAPED_DELIMITER 0xdc
#define SLIP_ESCAPED_ESCAPE 0xdd

/* First byte of a body: section 3. */
enum {
  TYPE_HELLO_REQUEST = 0x01,
  TYPE_SEND = 0x02,
  TYPE_SEND_AGAIN = 0x03,
  TYPE_CHANNEL_REQUEST = 0x04,
  TYPE_STATUS_REQUEST = 0x05,
  TYPE_STATISTICS_REQUEST = 0x06,
  TYPE_GOODBYE = 0x07,
  TYPE_HELLO = 0x81,
  TYPE_RECEIVED = 0x82,
  TYPE_RECEIVED_AGAIN = 0x83,
  TYPE_CHANNEL = 0x84,
  TYPE_STATUS = 0x85,
  TYPE_STATISTICS = 0x86,
  TYPE_LOG = 0x87
};

/* Outcomes that the radio does not say: section 5.4. */
enum { OUTCOME_QUEUE_FULL = 4, OUTCOME_LOST_ON_LINE = 5 };

/* Results of CHANNEL that the radio does not say: section 5.3. */
enum { CHANNEL_BUSY = 2, CHANNEL_CANNOT = 3 };

/* Counts in the order of STATISTICS: section 5.5. */
enum {
  COUNT_SECONDS,
  COUNT_GOOD,
  COUNT_DAMAGED,
  COUNT_UNKNOWN_TYPE,
  COUNT_TO_RADIO,
  COUNT_ACKNOWLEDGED,
  COUNT_NOT_ACKNOWLEDGED,
  COUNT_REFUSED,
  COUNT_LOST_ON_LINE,
  COUNT_HEARD,
  COUNT_DROPPED,
  COUNT_PUT_OUT,
  COUNT_RADIO_SILENCES
};

/* `flags` of a bridge. */
enum {
  /* A HELLO, or a CHANNEL, waits for the line. */
  HELLO_WAITS = 0x01,
  ANSWER_WAITS = 0x02,
  /* A CHANNEL? waits for the radio; and the radio has been told. */
  CHANNEL_WANTED = 0x04,
  CHANNEL_TOLD = 0x08,
  /* `implied_to`, `implied_from`, `unasked_hello_us` hold something. */
  HAS_IMPLIED_TO = 0x10,
  HAS_IMPLIED_FROM = 0x20,
  UNASKED_HELLO_SAID = 0x40,
  /* Nothing leaves right before the next frame. */
  IS_PAUSE = 0x80
};

static inline int fdb_is_due(uint32_t due_us, uint32_t now_us) {
  return (int32_t)(now_us - due_us) >= 0;
}

/* bridge.c */

/* Counts the seconds since boot. */
void fdb_count_time(fardel_bridge *bridge, uint32_t now_us);
void fdb_do_timeouts(fardel_bridge *bridge, uint32_t now_us);
void fdb_set_channel(fardel_bridge *bridge);
/* @returns 1 and when fdb_do_timeouts() has something to do, 0: never */
int fdb_next_timeout(const fardel_bridge *bridge, uint32_t now_us, uint32_t *due_us);

/* session.c */

/* An undamaged frame. */
void fdb_handle_body(fardel_bridge *bridge, const uint8_t *body, uint16_t bytes, uint32_t now_us);
void fdb_say_hello(fardel_bridge *bridge, uint32_t host);
void fdb_answer_channel(fardel_bridge *bridge, uint8_t request, uint8_t result);
void fdb_end_session(fardel_bridge *bridge);

/* output.c */

/* A session begins, or ends: what waits is nobody's any more, save for lines of text. */
void fdb_forget_output(fardel_bridge *bridge);

/* ledger.c: which tokens have come, and what became of the last ones. */

void fdb_reset_ledger(fardel_bridge *bridge);
/*
 * A datagram has come with this token: those left out before it were lost on the line.
 * @param number set to that of the token
 * @returns 0, or -1 for a token that the host cannot have meant: nothing has changed then
 */
int fdb_take_token(fardel_bridge *bridge, uint8_t token, uint32_t *number);
/* What became of a token, once. One that is not among the last ones any more is of no interest. */
void fdb_finish_token(fardel_bridge *bridge, uint32_t number, uint8_t outcome);
/*
 * Pairs for a STATUS, the last finished first. Asked for: all. Else those that have not been told
 * yet, the oldest first, four at most; if there are fewer, some that were told already.
 * @returns behind the last pair
 */
uint8_t *fdb_tell_outcomes(fardel_bridge *bridge, uint8_t *at, int is_asked);

/* queue.c: the datagrams for the radio. */

void fdb_open_queue(fardel_bridge *bridge);
/* @returns 0, or -1 if there is no place */
int fdb_hold(fardel_bridge *bridge, uint32_t number, const uint8_t *to, const uint8_t *datagram,
             uint16_t bytes);
/* A session begins: what waits is forgotten; what is with the radio keeps its place. */
void fdb_empty_queue(fardel_bridge *bridge);
void fdb_feed_radio(fardel_bridge *bridge, uint32_t now_us);
/* Gives up what the radio is silent about. */
void fdb_give_up(fardel_bridge *bridge, uint32_t now_us);
int fdb_is_with_radio(const fardel_bridge *bridge, const uint8_t *to);

/* table.c: the radio's table of peers. */

/*
 * A datagram is about to go to this address.
 * @returns 1; 0 if nobody can make room now; -1 if the radio does not take it in
 */
int fdb_admit(fardel_bridge *bridge, const uint8_t *to);

#endif
