/* What the parts of the endpoint know of each other. */
#ifndef FARDEL_INTERNAL_H
#define FARDEL_INTERNAL_H

#include <string.h>

#include "fardel/fardel.h"
#include "wire.h"

enum { PHASE_NONE, PHASE_OPENING, PHASE_ANSWERING, PHASE_OPEN };

/* Timers of a session: what is due, and `armed` has their bits. */
enum {
  /** An ack was asked for, or would have been by a datagram that did not come. */
  T_ACK,
  /** So much silence that nobody will ask. */
  T_QUIET,
  T_PROBE,
  /** The peer counts as unreachable. */
  T_SILENCE,
  /** The peer's answer to our answer stays away: it must hear from us. */
  T_CONFIRM,
  /** A closed window is asked about. */
  T_WINDOW,
  /** Parts of a message, or answers that may not go yet, are not kept for ever. */
  T_ABANDON,
  TIMERS
};

/* State of a receiving channel. */
enum {
  RX_UNDER_WAY = 1,
  /** The message at `first` is not taken: STOP for each of its fragments, until SKIP. */
  RX_REFUSING = 2,
  /** The application is busy: the window is closed. */
  RX_BUSY = 4
};

/* SKIP_LATER: what was given up lies behind something that is still under way. */
enum { SKIP_NONE, SKIP_DUE, SKIP_SENT, SKIP_WAITING, SKIP_LATER };

/* State of a message. */
enum {
  M_QUEUED = 1,
  /** All of its fragments are cut. */
  M_CUT = 2,
  /** A later message of its ordered channel has arrived. */
  M_OVERTAKEN = 4
};

/* How skip() treats complete messages that it passes. */
enum { SKIP_DELIVER, SKIP_DROP };

#define RETRY_US_FIRST 50000u
#define RETRY_US_MIN 3000u
#define RETRY_US_MAX 5000000u
#ifndef UNREACHABLE_US
#define UNREACHABLE_US 30000000u
#endif
/** Parts of unacknowledged messages are not kept for longer. */
#define LOOSE_US 10000000u
#define GRANULARITY_US 1000u

/** Whether instant `at` is not after `now`, in a time that wraps. */
static inline int is_due(uint32_t at, uint32_t now) { return (int32_t)(now - at) >= 0; }
/** How far `number` is ahead of `from`, modulo 2^16; 0x8000 and more: behind. */
static inline uint16_t ahead(uint16_t from, uint16_t number) { return (uint16_t)(number - from); }

void fdl_arm(fardel_session *session, int timer, uint32_t at);
void fdl_disarm(fardel_session *session, int timer);
int fdl_is_armed(const fardel_session *session, int timer);
/** Whether its time has come. */
int fdl_is_over(const fardel_session *session, int timer, uint32_t now);

/* receive.c */
void fdl_rx_open(fardel_session *session);
void fdl_data(fardel_peer *peer, const fdl_frame *frame);
/** Nothing before `target` comes any more. */
void fdl_skip(fardel_peer *peer, uint8_t channel, uint16_t target, int how);
void fdl_loose(fardel_peer *peer, const fdl_frame *frame);
/** The rest of an unacknowledged message will not come. */
void fdl_break_loose(fardel_peer *peer);
/** Hands on what waits; also after the application was busy. */
void fdl_drain(fardel_peer *peer, uint8_t channel);
/** @returns whether the application is busy with anything of this peer */
int fdl_is_busy(const fardel_session *session);
int fdl_holds_part(const fardel_session *session);
/** Delivers what is complete: nothing more will come. */
void fdl_rx_flush(fardel_peer *peer);
/** ... and forgets the rest. */
void fdl_rx_close(fardel_peer *peer);

/* ack.c */
/** Bytes that all acks which are due would take. */
uint16_t fdl_ack_bytes(const fardel_peer *peer);
/** @returns where it stopped; asks for another round if something found no room */
uint8_t *fdl_write_acks(fardel_peer *peer, uint8_t *at, const uint8_t *end);
void fdl_mention_all(fardel_session *session);

/* send.c */
void fdl_tx_open(fardel_session *session);
/** Where the bytes of a fragment lie. @returns DATA_FIRST, DATA_LAST */
uint8_t fdl_span(const fardel_message *message, uint16_t index, uint32_t *offset, uint16_t *count);
uint32_t fdl_stream_bytes(const fardel_message *message);
/** Takes the ACK frames of a datagram. @returns 0, or less: the session cannot go on */
int fdl_acks(fardel_peer *peer, const uint8_t *at, const uint8_t *end,
             uint32_t carrier);
void fdl_stop(fardel_peer *peer, const fdl_frame *frame);
void fdl_lose(fardel_session *session, int all, uint32_t number);
/** Sends nothing more of it, and tells the peer. */
void fdl_give_up(fardel_peer *peer, fardel_message *message);
void fdl_end(fardel_peer *peer, fardel_message *message, int result);
/** The peer's MTU is known: what is larger is cut anew. */
void fdl_take_back(fardel_peer *peer);
/** What lies beyond a window that has shrunk makes place for other channels, where it can be cut once more. */
void fdl_uncut(fardel_session *session);
/** Numbers from which SKIP may speak. */
uint16_t fdl_skip_target(const fardel_peer *peer, uint8_t channel);
/** What was given up and is known at the peer needs no word. @returns whether something has changed */
int fdl_settle_skip(fardel_peer *peer, uint8_t channel);
int fdl_in_flight(const fardel_session *session);
void fdl_rewind(fardel_message *message);

/* pick.c */
typedef struct pick {
  /** Cut before, and lost; or NULL. */
  fardel_flight *flight;
  /** To be cut; or NULL: there is nothing. */
  fardel_message *message;
} pick;
/** What goes next. @returns its priority, less: nothing */
int fdl_pick(const fardel_peer *peer, pick *picked);
/** How many more datagrams could go out now, up to 3. */
int fdl_sendable(const fardel_peer *peer);
/** Something waits, and only the peer's windows hold it back. */
int fdl_is_blocked(const fardel_peer *peer);

/* session.c */
void fdl_open_session(fardel_peer *peer);
/** @param result what becomes of its messages: FARDEL_PEER_RESTARTED lets those go on that may */
void fdl_end_session(fardel_peer *peer, int result);
/** A datagram from the address of a peer. @returns a token to answer NO-SESSION to, or 0 */
uint32_t fdl_receive(fardel_peer *peer, const uint8_t *datagram,
                     uint16_t bytes);
/** What became of a datagram of the session that there is. */
void fdl_outcome(fardel_peer *peer, uint32_t number, int outcome);
/** Does what is due. */
void fdl_timeout(fardel_peer *peer);

/* timing.c */
uint32_t fdl_interval(const fardel_peer *peer, uint8_t count);
void fdl_asked(fardel_peer *peer, uint32_t number);
void fdl_sample(fardel_peer *peer, uint32_t largest);
void fdl_note_arrival(fardel_peer *peer, uint32_t number, uint8_t ask,
                      int elicits);
void fdl_note_windows(fardel_peer *peer);

/* compose.c */
/** @returns 3 acks and questions, 2 to 0 messages, less: nothing */
int fdl_rank(const fardel_peer *peer);
/** Writes the next datagram. @returns its bytes; 0: there is none after all */
uint16_t fdl_compose(fardel_peer *peer, fardel_message **loose);
int fdl_is_too_large(const fardel_message *message, uint16_t mtu);
/** The answer to a candidate. */
uint16_t fdl_compose_answer(fardel_peer *peer);
uint8_t *fdl_put_long_head(uint8_t *at, uint32_t token_from, uint32_t token_to, uint32_t number);
/** Adds the CRC. @returns all bytes */
uint16_t fdl_seal(fardel_endpoint *endpoint, uint8_t *end, uint32_t token_to, uint32_t token_from,
                  uint32_t number);

static inline uint8_t place_of(const fardel_peer *peer) {
  return (uint8_t)(peer - peer->endpoint->peers);
}

#endif
