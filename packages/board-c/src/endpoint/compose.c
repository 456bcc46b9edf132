/* What goes into a datagram; PROTOCOL.md, sections 2, 4.3, 6, 7.4 and 9. */
#include "writer.h"

/** An opening is at least as long as its answer. */
#define OPENING_BYTES_MIN 48
/** Repeats of an opening with data before HELLO alone is tried. */
#define BARE_FROM 4
/** Datagrams with acks in a row that may keep messages waiting. */
#define ACKS_IN_THE_WAY_MAX 2
#define ASK_EVERY_MAX 64
/** An empty datagram asks after so many numbers without an ack. */
#define QUIET_NUMBERS_MAX 512

uint8_t *fdl_put_long_head(fardel_endpoint *endpoint, uint32_t token_from, uint32_t token_to,
                           uint32_t number) {
  *endpoint->datagram = HEAD_LONG;
  uint8_t *at = fdl_put_u32(endpoint->datagram + 1, token_from);
  return fdl_put_u32(fdl_put_u32(at, token_to), number);
}

uint8_t *fdl_put_hello(const fardel_endpoint *endpoint, uint8_t *at) {
  *at++ = TYPE_HELLO | 1;
  at = fdl_put_u16(at, endpoint->config->mtu_bytes);
  *at++ = endpoint->config->window;
  return at;
}

uint16_t fdl_seal(fardel_endpoint *endpoint, const fardel_session *session, uint8_t *end) {
  uint32_t to = session ? session->peer_token : 0;
  uint32_t from = session ? session->token : 0;
  uint32_t number = session ? session->number : 0;
  uint16_t bytes = (uint16_t)(end - endpoint->datagram);
  uint16_t crc = (uint16_t)~fdl_datagram_crc(endpoint->datagram, bytes, to, from, number);
  *end++ = (uint8_t)crc;
  *end = (uint8_t)(crc >> 8);
  return (uint16_t)(bytes + CRC_BYTES);
}

/* Where the long form has no room for an ack it must not be the only form, on either side. */
static int has_ack_room(const fardel_session *session) {
  return session->mtu >= long_head_of(session) + ACK_BYTES + CRC_BYTES;
}

/* The head, with HELLO until the session is open. */
static void begin(fdl_writer *out, fardel_peer *peer) {
  fardel_session *session = &peer->session;
  fardel_endpoint *endpoint = peer->endpoint;
  int is_far = fdl_is_far(session) && (has_ack_room(session) || !fdl_is_ack_due(peer));
  int is_asking = session->is_probe_due && session->probes >= 2;
  memset(out, 0, sizeof *out);
  out->peer = peer;
  out->is_long = session->phase != PHASE_OPEN || session->is_suspect || is_asking || is_far;
  out->end = endpoint->datagram + fdl_limit_of(session) - CRC_BYTES;
  if (out->is_long) {
    out->at = fdl_put_long_head(endpoint, session->token, session->peer_token, session->number);
    out->at = fdl_put_salt(endpoint, &session->guard, out->at);
    if (session->phase != PHASE_OPEN && out->end - out->at >= HELLO_BYTES)
      out->at = fdl_put_hello(endpoint, out->at);
  } else {
    *endpoint->datagram = (uint8_t)(HEAD_SHORT | (is_protected(session) ? HEAD_PROTECTED : 0));
    out->at = fdl_put_u16(endpoint->datagram + 1, (uint16_t)session->number);
  }
}

/* Acks go when they are due, and ride along before; but they do not keep messages waiting for ever. */
static void add_acks(fdl_writer *out) {
  fardel_peer *peer = out->peer;
  fardel_session *session = &peer->session;
  if (!session->peer_token || !(session->armed & (1 << T_ACK | 1 << T_QUIET))) return;
  if (session->phase == PHASE_OPEN && out->is_long && !has_ack_room(session)) return;
  if (session->acks_in_the_way >= ACKS_IN_THE_WAY_MAX && fdl_data_rank(peer, 0) >= 0) return;
  if (!fdl_is_ack_due(peer) && !fdl_can_ride(out)) return;
  out->at = fdl_write_acks(peer, out->at, out->end);
  out->has_acks = 1;
}

static void settle_skips(fardel_peer *peer) {
  int is_settled = 0;
  for (uint8_t i = 0; i < FARDEL_CHANNELS; i++) is_settled |= fdl_settle_skip(peer, i);
  /* There may be nothing left now but to ask about windows. */
  if (is_settled) fdl_note_windows(peer);
}

/* The peer must hear of what was given up. */
static void add_skips(fdl_writer *out) {
  fardel_peer *peer = out->peer;
  for (uint8_t i = 0; i < FARDEL_CHANNELS; i++) {
    fardel_tx *tx = &peer->session.tx[i];
    if (!fdl_is_skip_due(peer, i) || fdl_room_of(out) < SKIP_BYTES) continue;
    *out->at++ = TYPE_SKIP | i;
    out->at = fdl_put_u16(out->at, fdl_skip_target(peer, i));
    tx->skip = SKIP_SENT;
    tx->skip_number = peer->session.number;
    out->elicits = 1;
  }
}

/* HELLO alone, in case the peer's MTU is too small for the rest. */
static int is_bare_opening(const fardel_peer *peer) {
  const fardel_session *session = &peer->session;
  uint8_t repeats = session->openings;
  if (session->phase != PHASE_OPENING || !session->is_probe_due) return 0;
  return repeats >= BARE_FROM ? repeats % 2 == 0 : repeats % 2 == 1 && fdl_data_rank(peer, 1) < 0;
}

/* An opening is as long as its answer, and whatever is long as the NO-SESSION that may be one. */
static void pad(fdl_writer *out, int bytes_min) {
  fardel_endpoint *endpoint = out->peer->endpoint;
  int missing = bytes_min - tail_of(&out->peer->session) - (int)(out->at - endpoint->datagram);
  if (missing > out->end - out->at) missing = (int)(out->end - out->at);
  if (missing <= 0) return;
  /* Behind HELLO, if there is one: what runs to the end must stay last. */
  uint8_t *from = endpoint->datagram + long_head_of(&out->peer->session) + HELLO_BYTES;
  if (from > out->at) from = out->at;
  memmove(from + missing, from, (size_t)(out->at - from));
  memset(from, TYPE_PAD, (size_t)missing);
  out->at += missing;
}

static void add_messages(fdl_writer *out) {
  fardel_peer *peer = out->peer;
  fardel_session *session = &peer->session;
  if (session->phase == PHASE_OPEN && session->is_probe_due && fdl_data_rank(peer, 0) < 0) {
    fdl_fill_probe(out);
  } else if (!is_bare_opening(peer)) {
    fdl_fill(out);
    if (session->phase == PHASE_OPENING) pad(out, OPENING_BYTES_MIN);
  }
}

static uint8_t ask_of(const fdl_writer *out) {
  const fardel_peer *peer = out->peer;
  const fardel_session *session = &peer->session;
  int is_awaiting = session->is_awaiting;
  if (session->is_probe_due || session->phase == PHASE_OPENING) return ASK_NOW;
  if (!out->elicits && !out->has_messages) {
    if (is_awaiting) return ASK_NONE;
    /* Something waits that cannot go: the peer must prove itself, or tell how far it has come. */
    int is_stuck = out->is_long && fdl_data_rank(peer, 0) >= 0;
    int is_quiet =
        session->phase == PHASE_OPEN && fdl_numbers_ahead(session) >= QUIET_NUMBERS_MAX;
    return is_stuck || is_quiet || fdl_needs_question(peer) ? ASK_NOW : ASK_NONE;
  }
  if (session->since_ask + 1 >= ASK_EVERY_MAX || (out->ends_urgent && !is_awaiting)) return ASK_NOW;
  if (!out->elicits) return ASK_NONE;
  static const uint8_t asks[] = {ASK_NOW, ASK_NEXT, ASK_AFTER_NEXT, ASK_NONE};
  return asks[fdl_sendable(peer)];
}

/* Bookkeeping of a datagram that goes to the link. */
static void note_sent(const fdl_writer *out, uint8_t ask, uint16_t bytes) {
  fardel_peer *peer = out->peer;
  fardel_session *session = &peer->session;
  session->credit_bytes -= bytes;
  session->credit_datagrams--;
  peer->datagrams_sent++;
  if (ask == ASK_NOW) {
    fdl_asked(peer);
  } else {
    session->since_ask++;
    if (out->elicits) session->needs_ask = 1;
  }
  session->number++;
  int is_in_the_way = out->has_acks && !out->has_messages && fdl_data_rank(peer, 0) >= 0;
  session->acks_in_the_way = is_in_the_way ? (uint8_t)(session->acks_in_the_way + 1) : 0;
}

/* What was written of it is not a message's: the datagram does not go. */
static uint16_t take_back(fardel_peer *peer, fardel_message *unreadable) {
  fdl_give_up(peer, unreadable);
  fdl_lose(&peer->session, 0, peer->session.number - 1);
  peer->session.is_awaiting = 0;
  fdl_end(peer, unreadable, FARDEL_UNREADABLE);
  return 0;
}

uint16_t fdl_compose(fardel_peer *peer, fardel_message **loose) {
  fdl_writer out;
  begin(&out, peer);
  const uint8_t *frames = out.at;
  add_acks(&out);
  settle_skips(peer);
  add_skips(&out);
  add_messages(&out);
  uint8_t ask = ask_of(&out);
  if (out.at == frames && ask != ASK_NOW && !out.has_acks) return 0;
  if (out.is_long) pad(&out, no_session_of(&peer->session));
  *peer->endpoint->datagram |= ask;
  const fardel_session *session = &peer->session;
  uint16_t bytes = SEAL(peer->endpoint, &session->guard, session->peer_token, session->number,
                        session, out.at);
  note_sent(&out, ask, bytes);
  if (out.unreadable) return take_back(peer, out.unreadable);
  *loose = out.loose;
  return bytes;
}
