/* Datagrams are written here; PROTOCOL.md, sections 2, 4.3, 6, 7.4 and 9. */
#include "../checksum.h"
#include "internal.h"

/** An opening is at least as long as its answer. */
#define OPENING_BYTES_MIN 48
/** Repeats of an opening with data before HELLO alone is tried. */
#define BARE_FROM 4
/** Datagrams with acks in a row that may keep messages waiting. */
#define ACKS_IN_THE_WAY_MAX 2
/** Fragments up to this size, together, ride on a probe. */
#define PROBE_DATA_BYTES_MAX 64
/** Beyond the greatest acknowledged number the short form could not be completed. */
#define SHORT_FORM_REACH 1000
#define ASK_EVERY_MAX 64
/** An empty datagram asks after so many numbers without an ack. */
#define QUIET_NUMBERS_MAX 512
#define REQUEST_HEAD_BYTES 3
/** Their numbers are told apart modulo 2^16. */
#define FRAGMENTS_MAX 65000u
#define LOOSE_FRAGMENT_HEAD_BYTES 4

typedef struct writer {
  uint8_t *at;
  uint8_t *end;
  /** The last frame, while its bytes run to the end; NULL: it has a length. */
  uint8_t *open;
  uint8_t open_head;
  uint8_t elicits;
  uint8_t has_messages;
  uint8_t ends_urgent;
  fardel_message *unreadable;
  fardel_message *loose;
} writer;

int fdl_is_too_large(const fardel_message *message, uint16_t mtu) {
  uint16_t around = mtu < 64 ? SHORT_HEAD_BYTES + CRC_BYTES : LONG_HEAD_BYTES + CRC_BYTES;
  uint32_t piece = (uint32_t)mtu - around - LOOSE_FRAGMENT_HEAD_BYTES;
  if (message->channel >= FARDEL_LOOSE)
    return message->length > piece * LOOSE_FRAGMENTS_MAX - MESSAGE_CRC_BYTES;
  return message->length > (uint32_t)(mtu - FARDEL_AROUND_BYTES) * FRAGMENTS_MAX;
}

static int32_t credit_of(const fardel_session *session) {
  /* Whoever wanted to talk to this address before it spoke is not bound by what it says. */
  if (session->phase != PHASE_ANSWERING || session->is_opener) return INT32_MAX;
  return session->credit_datagrams > 0 ? session->credit_bytes : 0;
}

/* Numbers sent beyond what the peer is known to have received. */
static uint32_t numbers_ahead(const fardel_session *session) {
  return session->number -
         (session->has_acked ? session->largest_acked : session->token >> 16);
}

/* Bytes of the frame of a fragment without length. */
static int frame_bytes(const fardel_message *message, uint16_t index) {
  uint32_t offset;
  uint16_t count;
  uint8_t shape = fdl_span(message, index, &offset, &count);
  if (shape == DATA_FIRST) count = (uint16_t)(count + fdl_varint_bytes(fdl_stream_bytes(message)));
  if (shape == DATA_LAST) count += MESSAGE_CRC_BYTES;
  return DATA_HEAD_BYTES + count;
}

/* The part of an unacknowledged message that goes next. */
typedef struct loose_part {
  uint32_t offset;
  uint16_t count;
  int is_whole;
  int is_last;
  /** All of its frame without length. */
  int bytes;
} loose_part;

static loose_part loose_part_of(const fardel_session *session, const fardel_message *message) {
  loose_part part;
  uint16_t around = session->mtu < 64 ? SHORT_HEAD_BYTES + CRC_BYTES : LONG_HEAD_BYTES + CRC_BYTES;
  uint16_t piece = (uint16_t)(session->mtu - around - LOOSE_FRAGMENT_HEAD_BYTES);
  part.is_whole = message->length + 1 <= (uint32_t)(session->mtu - around);
  part.offset = part.is_whole ? 0 : (uint32_t)message->cut * piece;
  if (part.offset > message->length) part.offset = message->length;
  uint32_t left = message->length - part.offset;
  part.is_last = part.is_whole || left + MESSAGE_CRC_BYTES <= piece;
  part.count = (uint16_t)(left < piece || part.is_whole ? left : piece);
  part.bytes = part.is_whole ? 1 + part.count
                             : LOOSE_FRAGMENT_HEAD_BYTES + part.count +
                                   (part.is_last ? MESSAGE_CRC_BYTES : 0);
  return part;
}

/* Bytes of the frame of what was picked, without length. */
static int picked_bytes(const fardel_session *session, const pick *picked) {
  fardel_message *message = picked->flight ? picked->flight->message : picked->message;
  if (message->channel >= FARDEL_LOOSE) return loose_part_of(session, message).bytes;
  if (picked->flight) return frame_bytes(message, ahead(message->first, picked->flight->fragment));
  if (message->cut == 0) message->piece = (uint16_t)(session->mtu - FARDEL_AROUND_BYTES);
  return frame_bytes(message, message->cut);
}

/* Room for frames in the next datagram; section 2.2 and 4.3. */
static int32_t frames_room(const fardel_session *session) {
  int32_t limit = credit_of(session) < session->mtu ? credit_of(session) : session->mtu;
  if (session->phase != PHASE_OPEN) return limit - LONG_HEAD_BYTES - HELLO_BYTES - CRC_BYTES;
  return limit - CRC_BYTES -
         (numbers_ahead(session) > SHORT_FORM_REACH ? LONG_HEAD_BYTES : SHORT_HEAD_BYTES);
}

static int data_rank(const fardel_peer *peer, int may_repeat) {
  const fardel_session *session = &peer->session;
  pick picked = {NULL, NULL};
  int rank = fdl_pick(peer, &picked);
  int is_awaiting = session->is_awaiting;
  /* What has no room must wait for the peer's word. */
  if (rank >= 0 && picked_bytes(session, &picked) > frames_room(session)) return is_awaiting ? -1 : 0;
  /* While an opening waits for its answer, only the probe timer repeats what it carried. */
  if (session->phase == PHASE_OPENING && is_awaiting && !may_repeat && picked.flight) return -1;
  /* What may not go to an unverified peer makes us ask it to prove itself. */
  if (rank < 0 && session->phase == PHASE_ANSWERING && !is_awaiting) return peer->queue ? 0 : -1;
  return rank;
}

/* Something is in flight, nothing more can go, and no timer would ever ask. */
static int needs_question(const fardel_peer *peer) {
  const fardel_session *session = &peer->session;
  if (session->is_awaiting) return 0;
  return (session->needs_ask || fdl_in_flight(session)) && data_rank(peer, 0) < 0;
}

static int is_ack_due(const fardel_peer *peer) {
  const fardel_session *session = &peer->session;
  return fdl_is_over(session, T_ACK, peer->endpoint->now_us) || fdl_is_over(session, T_QUIET, peer->endpoint->now_us);
}

/* Whether the peer must hear that something was given up. */
static int is_skip_due(const fardel_peer *peer, uint8_t channel) {
  const fardel_tx *tx = &peer->session.tx[channel];
  return tx->skip == SKIP_DUE && peer->session.phase == PHASE_OPEN;
}

static void settle_skips(fardel_peer *peer) {
  int is_settled = 0;
  for (uint8_t i = 0; i < FARDEL_CHANNELS; i++) is_settled |= fdl_settle_skip(peer, i);
  /* There may be nothing left now but to ask about windows. */
  if (is_settled) fdl_note_windows(peer);
}

int fdl_rank(const fardel_peer *peer) {
  const fardel_session *session = &peer->session;
  if (session->phase == PHASE_NONE || credit_of(session) < LONG_HEAD_BYTES + CRC_BYTES) return -1;
  if (is_ack_due(peer) || session->is_probe_due) return 3;
  for (uint8_t i = 0; i < FARDEL_CHANNELS; i++)
    if (is_skip_due(peer, i)) return 3;
  if (needs_question(peer)) return 3;
  int rank = data_rank(peer, 0);
  if (session->phase == PHASE_OPENING && !(session->is_awaiting) && rank < 0) return 0;
  return rank;
}

/* Room for one more frame, once the open one has got its length. */
static int room_of(const writer *out) {
  int room = (int)(out->end - out->at);
  return out->open ? room - fdl_varint_bytes((uint32_t)(out->at - out->open) - out->open_head) : room;
}

/* Another frame follows: the open one gets its length. */
static void give_length(writer *out) {
  if (!out->open) return;
  uint8_t *bytes = out->open + out->open_head;
  uint32_t count = (uint32_t)(out->at - bytes);
  uint8_t length = fdl_varint_bytes(count);
  memmove(bytes + length, bytes, count);
  fdl_put_varint(bytes, count);
  *out->open |= *out->open & TYPE_DATA ? DATA_LENGTH : LOOSE_LENGTH;
  out->at += length;
  out->open = NULL;
}

/* Bytes of a message, of which requests and replies have a head. @returns less: they cannot be read */
static int read_bytes(fardel_message *message, uint32_t offset, uint8_t *into, uint16_t count) {
  if (message->kind) {
    uint8_t head[REQUEST_HEAD_BYTES];
    head[0] = message->kind;
    fdl_put_u16(head + 1, message->id);
    for (; offset < REQUEST_HEAD_BYTES && count > 0; offset++, count--) *into++ = head[offset];
    offset -= REQUEST_HEAD_BYTES;
  }
  if (count == 0) return 0;
  if (!message->bytes) return message->read(message, offset, into, count);
  memcpy(into, message->bytes + offset, count);
  return 0;
}

static void write_fragment(writer *out, fardel_message *message, uint16_t index, uint16_t fragment) {
  uint32_t offset;
  uint16_t count;
  uint8_t shape = fdl_span(message, index, &offset, &count);
  give_length(out);
  out->open = out->at;
  out->open_head = DATA_HEAD_BYTES;
  *out->at++ = (uint8_t)(TYPE_DATA | shape | message->channel);
  out->at = fdl_put_u16(out->at, fragment);
  if (shape == DATA_FIRST) out->at = fdl_put_varint(out->at, fdl_stream_bytes(message));
  if (read_bytes(message, offset, out->at, count) < 0) {
    out->unreadable = message;
    memset(out->at, 0, count);
  }
  if (index == message->summed) {
    message->crc = fardel_crc32(message->crc, out->at, count);
    message->summed++;
  }
  out->at += count;
  if (shape == DATA_LAST) out->at = fdl_put_u32(out->at, message->crc);
  out->elicits = out->has_messages = 1;
  out->ends_urgent |= message->priority == FARDEL_URGENT && shape & DATA_LAST;
}

/* Unacknowledged messages. @returns 0: it does not fit */
static int write_loose(fardel_peer *peer, writer *out, fardel_message *message) {
  loose_part part = loose_part_of(&peer->session, message);
  if (part.bytes > room_of(out)) return 0;
  give_length(out);
  out->open = out->at;
  *out->at++ = (uint8_t)(TYPE_LOOSE | (part.is_whole ? 0 : LOOSE_FRAGMENTED) |
                         (message->channel - FARDEL_LOOSE));
  if (!part.is_whole) {
    if (message->cut == 0) peer->loose_id++;
    out->at = fdl_put_u16(out->at, peer->loose_id);
    *out->at++ = (uint8_t)(message->cut | (part.is_last ? LOOSE_LAST : 0));
  }
  out->open_head = (uint8_t)(out->at - out->open);
  if (read_bytes(message, part.offset, out->at, part.count) < 0) {
    out->unreadable = message;
    memset(out->at, 0, part.count);
  }
  message->crc = fardel_crc32(message->cut ? message->crc : 0, out->at, part.count);
  out->at += part.count;
  if (!part.is_whole && part.is_last) out->at = fdl_put_u32(out->at, message->crc);
  message->cut++;
  out->has_messages = 1;
  if (part.is_last) {
    message->state |= M_CUT;
    out->loose = message;
  }
  return 1;
}

/* A message goes for the first time. */
static fardel_flight *cut(fardel_session *session, fardel_message *message) {
  fardel_flight *flight = session->flights;
  while (flight->message) flight++;
  fardel_tx *tx = &session->tx[message->channel];
  if (message->cut == 0) {
    message->first = tx->next;
    message->piece = (uint16_t)(session->mtu - FARDEL_AROUND_BYTES);
  }
  uint32_t offset;
  uint16_t count;
  if (fdl_span(message, message->cut, &offset, &count) & DATA_LAST) message->state |= M_CUT;
  message->cut++;
  message->open++;
  flight->message = message;
  flight->fragment = tx->next++;
  return flight;
}

static void fill(fardel_peer *peer, writer *out, uint32_t number) {
  fardel_session *session = &peer->session;
  pick picked;
  while (!out->unreadable && !out->loose && fdl_pick(peer, &picked) >= 0) {
    fardel_flight *flight = picked.flight;
    fardel_message *message = flight ? flight->message : picked.message;
    if (message->channel >= FARDEL_LOOSE) {
      if (!write_loose(peer, out, message)) return;
      session->last_channel = FARDEL_LOOSE;
      continue;
    }
    if (!flight && message->cut == 0) message->piece = (uint16_t)(session->mtu - FARDEL_AROUND_BYTES);
    uint16_t index = flight ? ahead(message->first, flight->fragment) : message->cut;
    if (frame_bytes(message, index) > room_of(out)) return;
    if (flight) peer->repeated++;
    else flight = cut(session, message);
    write_fragment(out, message, index, flight->fragment);
    flight->is_lost = 0;
    flight->number = number;
    session->last_channel = message->channel;
  }
}

/* Asking alone is cheaper than repeating, unless what is in flight is small. */
static void fill_probe(fardel_peer *peer, writer *out, uint32_t number) {
  int room = room_of(out) < PROBE_DATA_BYTES_MAX ? room_of(out) : PROBE_DATA_BYTES_MAX;
  for (uint8_t i = 0; i < FARDEL_SEND_WINDOW; i++) {
    fardel_flight *flight = &peer->session.flights[i];
    fardel_message *message = flight->message;
    if (!message || flight->is_lost) continue;
    uint16_t index = ahead(message->first, flight->fragment);
    int bytes = frame_bytes(message, index);
    if (bytes + 1 > room) continue;
    room -= bytes + 1;
    write_fragment(out, message, index, flight->fragment);
    flight->number = number;
    peer->repeated++;
  }
}

/* Acks that do not push out a fragment ride along. */
static int can_ride(const fardel_peer *peer, const writer *out) {
  pick picked = {NULL, NULL};
  int bytes = fdl_ack_bytes(peer);
  if (fdl_pick(peer, &picked) >= 0) {
    if (picked.message && picked.message->channel >= FARDEL_LOOSE) return 0;
    bytes += picked_bytes(&peer->session, &picked);
  }
  return bytes <= room_of(out);
}

static uint8_t ask_of(const fardel_peer *peer, const writer *out, int is_probe, int is_long) {
  const fardel_session *session = &peer->session;
  int is_awaiting = session->is_awaiting;
  if (is_probe || session->phase == PHASE_OPENING) return ASK_NOW;
  if (!out->elicits && !out->has_messages) {
    if (is_awaiting) return ASK_NONE;
    /* Something waits that cannot go: the peer must prove itself, or tell how far it has come. */
    int is_stuck = is_long && data_rank(peer, 0) >= 0;
    int is_quiet = session->phase == PHASE_OPEN && numbers_ahead(session) >= QUIET_NUMBERS_MAX;
    return is_stuck || is_quiet || needs_question(peer) ? ASK_NOW : ASK_NONE;
  }
  if (session->since_ask + 1 >= ASK_EVERY_MAX || (out->ends_urgent && !is_awaiting)) return ASK_NOW;
  if (!out->elicits) return ASK_NONE;
  static const uint8_t asks[] = {ASK_NOW, ASK_NEXT, ASK_AFTER_NEXT, ASK_NONE};
  return asks[fdl_sendable(peer)];
}

uint8_t *fdl_put_long_head(uint8_t *at, uint32_t token_from, uint32_t token_to, uint32_t number) {
  *at++ = HEAD_LONG;
  return fdl_put_u32(fdl_put_u32(fdl_put_u32(at, token_from), token_to), number);
}

static uint8_t *put_hello(const fardel_endpoint *endpoint, uint8_t *at) {
  *at++ = TYPE_HELLO | 1;
  at = fdl_put_u16(at, endpoint->config->mtu_bytes);
  *at++ = endpoint->config->window;
  return at;
}

uint16_t fdl_seal(fardel_endpoint *endpoint, uint8_t *end, uint32_t token_to, uint32_t token_from,
                  uint32_t number) {
  uint16_t bytes = (uint16_t)(end - endpoint->datagram);
  uint16_t crc = (uint16_t)~fdl_datagram_crc(endpoint->datagram, bytes, token_to, token_from, number);
  *end++ = (uint8_t)crc;
  *end = (uint8_t)(crc >> 8);
  return (uint16_t)(bytes + CRC_BYTES);
}

/* HELLO alone, in case the peer's MTU is too small for the rest. */
static int is_bare_opening(const fardel_peer *peer) {
  const fardel_session *session = &peer->session;
  uint8_t repeats = session->openings;
  if (session->phase != PHASE_OPENING || !(session->is_probe_due)) return 0;
  return repeats >= BARE_FROM ? repeats % 2 == 0 : repeats % 2 == 1 && data_rank(peer, 1) < 0;
}

static void write_skips(fardel_peer *peer, writer *out, uint32_t number) {
  for (uint8_t i = 0; i < FARDEL_CHANNELS; i++) {
    fardel_tx *tx = &peer->session.tx[i];
    if (!is_skip_due(peer, i) || room_of(out) < SKIP_BYTES) continue;
    *out->at++ = TYPE_SKIP | i;
    out->at = fdl_put_u16(out->at, fdl_skip_target(peer, i));
    tx->skip = SKIP_SENT;
    tx->skip_number = number;
    out->elicits = 1;
  }
}

static void pad(fardel_endpoint *endpoint, writer *out) {
  int missing = OPENING_BYTES_MIN - CRC_BYTES - (int)(out->at - endpoint->datagram);
  if (missing > out->end - out->at) missing = (int)(out->end - out->at);
  if (missing <= 0) return;
  /* Behind HELLO: what runs to the end must stay last. */
  uint8_t *from = endpoint->datagram + LONG_HEAD_BYTES + HELLO_BYTES;
  memmove(from + missing, from, (size_t)(out->at - from));
  memset(from, TYPE_PAD, (size_t)missing);
  out->at += missing;
}

/* Bookkeeping of a datagram that goes to the link. */
static void note_sent(fardel_peer *peer, const writer *out, uint8_t ask,
                      int wrote_acks, uint16_t bytes) {
  fardel_session *session = &peer->session;
  uint32_t number = session->number++;
  session->credit_bytes -= bytes;
  session->credit_datagrams--;
  peer->datagrams_sent++;
  if (ask == ASK_NOW) {
    fdl_asked(peer, number);
  } else {
    session->since_ask++;
    if (out->elicits) session->needs_ask = 1;
  }
  int is_in_the_way = wrote_acks && !out->has_messages && data_rank(peer, 0) >= 0;
  session->acks_in_the_way = is_in_the_way ? (uint8_t)(session->acks_in_the_way + 1) : 0;
}

uint16_t fdl_compose(fardel_peer *peer, fardel_message **loose) {
  fardel_session *session = &peer->session;
  uint32_t number = session->number;
  uint8_t *start = peer->endpoint->datagram;
  int is_probe = session->is_probe_due;
  int is_bare = is_bare_opening(peer);
  /* Where the long form has no room for an ack it must not be the only form, on either side. */
  int has_ack_room = session->mtu >= LONG_HEAD_BYTES + ACK_BYTES + CRC_BYTES;
  int is_far = numbers_ahead(session) > SHORT_FORM_REACH && (has_ack_room || !is_ack_due(peer));
  int is_long = session->phase != PHASE_OPEN || session->is_suspect ||
                (is_probe && session->probes >= 2) || is_far;
  int32_t limit = credit_of(session) < session->mtu ? credit_of(session) : session->mtu;
  writer out;
  memset(&out, 0, sizeof out);
  out.end = start + limit - CRC_BYTES;
  if (is_long) {
    out.at = fdl_put_long_head(start, session->token, session->peer_token, number);
    if (session->phase != PHASE_OPEN && out.end - out.at >= HELLO_BYTES)
      out.at = put_hello(peer->endpoint, out.at);
  } else {
    *start = HEAD_SHORT;
    out.at = fdl_put_u16(start + 1, (uint16_t)number);
  }
  const uint8_t *frames = out.at;
  int wrote_acks = 0;
  int is_pending = fdl_is_armed(session, T_ACK) || fdl_is_armed(session, T_QUIET);
  int is_ack_possible = session->phase != PHASE_OPEN || !is_long || has_ack_room;
  if (session->peer_token && is_pending && is_ack_possible &&
      (session->acks_in_the_way < ACKS_IN_THE_WAY_MAX || data_rank(peer, 0) < 0) &&
      (is_ack_due(peer) || can_ride(peer, &out))) {
    out.at = fdl_write_acks(peer, out.at, out.end);
    wrote_acks = 1;
  }
  settle_skips(peer);
  write_skips(peer, &out, number);
  if (is_probe && session->phase == PHASE_OPEN && data_rank(peer, 0) < 0)
    fill_probe(peer, &out, number);
  else if (!is_bare)
    fill(peer, &out, number);
  if (session->phase == PHASE_OPENING && !is_bare) pad(peer->endpoint, &out);
  uint8_t ask = ask_of(peer, &out, is_probe, is_long);
  if (out.at == frames && ask != ASK_NOW && !wrote_acks) return 0;
  /* As long as the NO-SESSION that it may be answered with. */
  if (is_long && out.at - start < NO_SESSION_BYTES - CRC_BYTES && out.at < out.end)
    *out.at++ = TYPE_PAD;
  *start |= ask;
  uint16_t bytes = fdl_seal(peer->endpoint, out.at, session->peer_token, session->token, number);
  note_sent(peer, &out, ask, wrote_acks, bytes);
  *loose = out.loose;
  if (out.unreadable) {
    fardel_message *message = out.unreadable;
    if (*loose == message) *loose = NULL;
    fdl_give_up(peer, message);
    fdl_end(peer, message, FARDEL_UNREADABLE);
    /* What was written of it is not a message's: the datagram does not go. */
    fdl_lose(session, 0, number);
    session->is_awaiting = 0;
    return 0;
  }
  return bytes;
}

uint16_t fdl_compose_answer(fardel_peer *peer) {
  uint16_t limit = peer->candidate_bytes;
  uint8_t *at = fdl_put_long_head(peer->endpoint->datagram, peer->candidate_token,
                                  peer->candidate_peer_token, peer->candidate_number);
  at = put_hello(peer->endpoint, at);
  peer->candidate_bytes = 0;
  if (limit >= LONG_HEAD_BYTES + HELLO_BYTES + ACK_BYTES + CRC_BYTES &&
      peer->endpoint->config->mtu_bytes >= LONG_HEAD_BYTES + HELLO_BYTES + ACK_BYTES + CRC_BYTES) {
    *at++ = TYPE_ACK;
    at = fdl_put_u16(at, (uint16_t)peer->candidate_seen);
    at = fdl_put_u16(at, (uint16_t)peer->candidate_peer_token);
    *at++ = peer->endpoint->config->window;
    *at++ = ACK_PROMPT;
  }
  uint32_t number = peer->candidate_number++;
  return fdl_seal(peer->endpoint, at, peer->candidate_peer_token, peer->candidate_token, number);
}
