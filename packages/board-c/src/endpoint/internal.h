/* What the parts of the endpoint know of each other. */
#ifndef FARDEL_INTERNAL_H
#define FARDEL_INTERNAL_H

#include <string.h>

#include "fardel/fardel.h"
#include "guard.h"
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
  M_OVERTAKEN = 4,
  /** A newer value was sent: it ends with the next fardel_poll(). */
  M_REPLACED = 8
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
/** Beyond the greatest number received, a short one may lie so far ahead. */
#define AHEAD_MAX 1024

/** Whether instant `at` is not after `now`, in a time that wraps. */
static inline int is_due(uint32_t at, uint32_t now) { return (int32_t)(now - at) >= 0; }
/** How far `number` is ahead of `from`, modulo 2^16; 0x8000 and more: behind. */
static inline uint16_t ahead(uint16_t from, uint16_t number) { return (uint16_t)(number - from); }

void fdl_arm(fardel_peer *peer, int timer, uint32_t wait_us);
void fdl_disarm(fardel_session *session, int timer);
int fdl_is_armed(const fardel_session *session, int timer);
/** Whether its time has come. */
int fdl_is_over(const fardel_peer *peer, int timer);

/* peers.c */
fardel_peer *fdl_find_peer(const fardel_endpoint *endpoint, const uint8_t *address);
/** Room for a newcomer. @returns NULL: there is none */
fardel_peer *fdl_admit(fardel_endpoint *endpoint, const uint8_t *address);
void fdl_drop(fardel_peer *peer);

/* link.c */
fardel_ticket *fdl_free_ticket(fardel_endpoint *endpoint);
/** @returns whether something went, or may go after all */
int fdl_transmit_next(fardel_endpoint *endpoint, fardel_ticket *ticket);

/* buffers.c */
fardel_buffer *fdl_find_buffer(const fardel_peer *peer, uint8_t channel, uint16_t fragment);
void fdl_read_buffer(const fardel_endpoint *endpoint, const fardel_buffer *buffer,
                     fdl_frame *frame);
/**
 * `frame` may be another one afterwards.
 * @returns whether it waits now; 0: no room, or it completes a damaged message
 */
int fdl_keep(fardel_peer *peer, fdl_frame *frame);
void fdl_free_buffers(fardel_peer *peer);

/* receive.c */
/** The peer is told with the next ack that the message at `first` is not taken. */
void fdl_say_stop(fardel_session *session, uint8_t channel, uint16_t first, uint8_t reason);
void fdl_rx_open(fardel_session *session);
/*
 * What hands on fragments that waited reads them into the caller's frame: there is one at a time, since
 * frames are large for the stack of a board. Its channel stays.
 */
/** @returns whether it is a newer value, and nothing before it counts any more */
int fdl_data(fardel_peer *peer, fdl_frame *frame);
/** Nothing before the frame's number comes any more. */
void fdl_skip(fardel_peer *peer, fdl_frame *frame, int how);
/** Hands on what waits on the frame's channel; also after the application was busy. */
void fdl_drain(fardel_peer *peer, fdl_frame *frame);
/** @returns whether the application is busy with anything of this peer */
int fdl_is_busy(const fardel_session *session);
int fdl_holds_part(const fardel_session *session);
/** Delivers what is complete: nothing more will come. */
void fdl_rx_flush(fardel_peer *peer);
/** ... and forgets the rest. */
void fdl_rx_close(fardel_peer *peer);

/** Hands a piece on; `total` of the frame is the message's. @returns what the application answers */
int fdl_tell(fardel_peer *peer, const fdl_frame *frame, uint8_t part, uint32_t offset);
void fdl_tell_broken(fardel_peer *peer, uint8_t channel);

/* loose.c */
void fdl_loose(fardel_peer *peer, fdl_frame *frame);
/** The rest of an unacknowledged message will not come. */
void fdl_break_loose(fardel_peer *peer);

/* acked.c */
/** Takes the ACK frames of a datagram. @returns 0, or less: the session cannot go on */
int fdl_acks(fardel_peer *peer, const fdl_incoming *in);

/* ack.c */
/** Bytes that all acks which are due would take. */
uint16_t fdl_ack_bytes(const fardel_peer *peer);
/** @returns where it stopped; asks for another round if something found no room */
uint8_t *fdl_write_acks(fardel_peer *peer, uint8_t *at, const uint8_t *end);
void fdl_mention_all(fardel_session *session);

/* send.c */
void fdl_tx_open(fardel_session *session);
/** A fragment, and what lies in it. */
typedef struct fdl_span {
  /** Of its bytes in the message, with the head of a request. */
  uint32_t offset;
  uint16_t count;
  /** All of its frame, but for a length. */
  uint16_t bytes;
  /** DATA_FIRST, DATA_LAST; or LOOSE_FRAGMENTED, LOOSE_LAST. */
  uint8_t shape;
} fdl_span;
void fdl_span_of(const fardel_message *message, uint16_t index, fdl_span *span);
int fdl_is_last(const fardel_message *message, uint16_t index);
uint32_t fdl_stream_bytes(const fardel_message *message);
/** A reply, or the failure of a request. */
int fdl_is_answer(const fardel_message *message);
void fdl_stop(fardel_peer *peer, const fdl_frame *frame);
void fdl_lose(fardel_session *session, int all, uint32_t number);
/** Sends nothing more of it, and tells the peer. */
void fdl_give_up(fardel_peer *peer, fardel_message *message);
/** The newest of its messages, or NULL. */
const fardel_message *fdl_last_of(const fardel_peer *peer);
void fdl_end(fardel_peer *peer, fardel_message *message, int result);
/** ... for one that is in no queue any more. */
void fdl_tell_end(fardel_endpoint *endpoint, fardel_message *message, int result);
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
  /** Cut before, and lost; NULL: to be cut. */
  fardel_flight *flight;
  fardel_message *message;
} pick;
/** What goes next. @returns its priority, less: nothing */
int fdl_pick(const fardel_peer *peer, pick *picked);
/** How many more datagrams could go out now, up to 3. */
int fdl_sendable(const fardel_peer *peer);
/** Something waits, and only the peer's windows hold it back. */
int fdl_is_blocked(const fardel_peer *peer);

/* frames.c */
/** The number nearest to the highest one that has these low bits. @returns whether it can be one */
int fdl_complete_number(const fardel_session *session, uint16_t low, uint32_t *number);
/** A datagram of the session, with a good CRC. @returns 0, or why the peer wants the session to end */
int fdl_take(fardel_peer *peer, const fdl_incoming *in);

#ifndef FARDEL_SMALL
#define HAS_LOOSE_PARTS 1
/* candidate.c: a peer that comes back with another token, or somebody who says so. */
int fdl_is_candidate(const fardel_peer *peer, uint32_t peer_token);
/** Whether both tokens are named by it. */
int fdl_names_candidate(const fardel_peer *peer, const fdl_incoming *in);
/** Whether a short datagram is the candidate's; its number is completed then. */
int fdl_is_echo(const fardel_peer *peer, fdl_incoming *in);
/** Its opening, which is answered as soon as something may go. */
void fdl_note_candidate(fardel_peer *peer, const fdl_incoming *in);
int fdl_is_answer_due(const fardel_peer *peer);
uint16_t fdl_compose_answer(fardel_peer *peer);
void fdl_forget_candidate(fardel_peer *peer);
/** It becomes the session, where there is none, with the one datagram received. @returns 0: no candidate */
int fdl_promote(fardel_peer *peer);
/** ... and ends the one that there is. @returns 0: not while the application is busy */
int fdl_replace_session(fardel_peer *peer);
#else
#define HAS_LOOSE_PARTS 0
/* There are none. */
#define fdl_is_candidate(peer, peer_token) 0
#define fdl_names_candidate(peer, in) 0
#define fdl_is_echo(peer, in) 0
#define fdl_is_answer_due(peer) 0
#define fdl_compose_answer(peer) 0
#define fdl_forget_candidate(peer) ((void)0)
#define fdl_promote(peer) 0
#define fdl_replace_session(peer) 0
#endif

/* session.c */
uint32_t fdl_draw_token(fardel_endpoint *endpoint);
/** Whether a session with this token of the peer's has ended lately. */
int fdl_has_ended(const fardel_peer *peer, uint32_t token);
void fdl_clear_session(fardel_peer *peer);
void fdl_create(fardel_peer *peer, uint32_t token, uint32_t number);
void fdl_create_anew(fardel_peer *peer);
void fdl_open_session(fardel_peer *peer);
/** A token is believed to be the peer's. */
void fdl_adopt(fardel_peer *peer, uint32_t token);
/** It is not, or not any more: open anew with our own. */
void fdl_forget_peer_token(fardel_peer *peer);
void fdl_hello(fardel_peer *peer, uint16_t mtu, uint8_t window);
/** What only a peer can say ends nothing while the application is busy. @returns whether it has ended */
int fdl_end_unless_busy(fardel_peer *peer, int result);
void fdl_tell_session(fardel_peer *peer, int what, int reason);
/** @param result what becomes of its messages: FARDEL_PEER_RESTARTED lets those go on that may */
void fdl_end_session(fardel_peer *peer, int result);
/** What became of a datagram of the session that there is. */
void fdl_outcome(fardel_peer *peer, uint32_t number, int outcome);
/** Does what is due. */
void fdl_timeout(fardel_peer *peer);

/* timing.c */
uint32_t fdl_interval(const fardel_peer *peer, uint8_t count);
/** The next datagram asks. */
void fdl_asked(fardel_peer *peer);
void fdl_sample(fardel_peer *peer, uint32_t largest);
/** @param forward how far it is beyond the greatest number before */
void fdl_note_arrival(fardel_peer *peer, const fdl_incoming *in, int32_t forward);
void fdl_note_windows(fardel_peer *peer);

/* write.c */
int fdl_is_too_large(const fardel_message *message, uint16_t mtu);

/* rank.c */
/** @returns 3 acks and questions, 2 to 0 messages, less: nothing */
int fdl_rank(const fardel_peer *peer);
/** The same for messages alone. @param may_repeat an opening may carry once more what it carried */
int fdl_data_rank(const fardel_peer *peer, int may_repeat);
/** Something is in flight, nothing more can go, and no timer would ever ask. */
int fdl_needs_question(const fardel_peer *peer);
int fdl_is_ack_due(const fardel_peer *peer);
int fdl_is_skip_due(const fardel_peer *peer, uint8_t channel);
/** Bytes of the next datagram at most. */
int32_t fdl_limit_of(const fardel_session *session);
/** Numbers sent beyond what the peer is known to have received. */
uint32_t fdl_numbers_ahead(const fardel_session *session);
/** ... and whether they are too many for the short form. */
int fdl_is_far(const fardel_session *session);

/* compose.c */
/** Writes the next datagram. @returns its bytes; 0: there is none after all */
uint16_t fdl_compose(fardel_peer *peer, fardel_message **loose);
uint8_t *fdl_put_long_head(fardel_endpoint *endpoint, uint32_t token_from, uint32_t token_to,
                           uint32_t number);
uint8_t *fdl_put_hello(const fardel_endpoint *endpoint, uint8_t *at);
/** Adds the CRC. @param session NULL in the long form, whose CRC needs none @returns all bytes */
uint16_t fdl_seal(fardel_endpoint *endpoint, const fardel_session *session, uint8_t *end);

#ifdef FARDEL_ONE_PEER
static inline uint8_t peers_of(const fardel_endpoint *endpoint) {
  (void)endpoint;
  return 1;
}
static inline uint8_t place_of(const fardel_peer *peer) {
  (void)peer;
  return 0;
}
#else
static inline uint8_t peers_of(const fardel_endpoint *endpoint) { return endpoint->config->peers; }
static inline uint8_t place_of(const fardel_peer *peer) {
  return (uint8_t)(peer - peer->endpoint->peers);
}
#endif

#endif
