/* What goes next; PROTOCOL.md, section 9. */
#include "internal.h"

static int has_room(const fardel_session *session) {
  for (uint8_t i = 0; i < FARDEL_SEND_WINDOW; i++)
    if (!session->flights[i].message) return 1;
  return 0;
}

static int is_within(uint16_t fragment, uint16_t limit) {
  uint16_t room = ahead(fragment, limit);
  return room > 0 && room < 0x8000;
}

/* Until the peer is verified only messages that fit whole are sent; section 4.3. */
static int fits(const fardel_session *session, const fardel_message *message) {
  uint32_t room = (uint32_t)session->mtu - long_head_of(session) - HELLO_BYTES - CRC_BYTES;
  /* A protected opening that is repeated by somebody must deliver nothing. */
  if (is_protected(session) && session->phase == PHASE_OPENING) return 0;
  return session->phase == PHASE_OPEN || fdl_stream_bytes(message) + DATA_HEAD_BYTES <= room;
}

/* ... and one at a time. */
static int may_begin(const fardel_session *session, const fardel_message *message) {
  if (session->phase == PHASE_OPEN) return 1;
  if (message->options & FARDEL_HANDSHAKE || !fits(session, message)) return 0;
  for (uint8_t i = 0; i < FARDEL_SEND_WINDOW; i++) {
    const fardel_message *other = session->flights[i].message;
    if (other && other->channel == message->channel) return 0;
  }
  return 1;
}

/* The lost fragment of a channel that comes first. */
static fardel_flight *first_lost(const fardel_session *session, uint8_t channel) {
  const fardel_flight *first = NULL;
  for (uint8_t i = 0; i < FARDEL_SEND_WINDOW; i++) {
    const fardel_flight *each = &session->flights[i];
    if (!each->message || !each->is_lost || each->message->channel != channel) continue;
    if (!first || ahead(first->fragment, each->fragment) >= 0x8000) first = each;
  }
  if (first && !is_within(first->fragment, session->tx[channel].limit)) return NULL;
  return (fardel_flight *)first;
}

static fardel_message *first_uncut(const fardel_peer *peer, uint8_t channel) {
  for (fardel_message *each = peer->queue; each; each = each->next) {
    /* All lanes of unacknowledged messages are one queue. */
    uint8_t lane = each->channel < FARDEL_LOOSE ? each->channel : FARDEL_LOOSE;
    if (lane == channel && !(each->state & (M_CUT | M_REPLACED))) return each;
  }
  return NULL;
}

int fdl_pick(const fardel_peer *peer, pick *picked) {
  const fardel_session *session = &peer->session;
  int best = -1;
  uint8_t channel = session->last_channel;
  for (uint8_t i = 0; i <= FARDEL_LOOSE; i++) {
    channel = channel < FARDEL_LOOSE ? (uint8_t)(channel + 1) : 0;
    fardel_flight *flight = NULL;
    fardel_message *message = NULL;
    if (channel < FARDEL_LOOSE) flight = first_lost(session, channel);
    if (flight && !fits(session, flight->message)) flight = NULL;
    if (!flight) message = first_uncut(peer, channel);
    if (message && channel < FARDEL_LOOSE &&
        (!has_room(session) || !is_within(session->tx[channel].next, session->tx[channel].limit)))
      continue;
    if (message && !may_begin(session, message)) continue;
    if (flight) message = flight->message;
    if (!message || message->priority <= best) continue;
    best = message->priority;
    picked->flight = flight;
    picked->message = message;
  }
  return best;
}

int fdl_sendable(const fardel_peer *peer) {
  const fardel_session *session = &peer->session;
  int count = 0;
  int room = 0;
  for (uint8_t i = 0; i < FARDEL_SEND_WINDOW; i++) room += session->flights[i].message == NULL;
  for (uint8_t channel = 0; channel < FARDEL_CHANNELS; channel++) {
    const fardel_tx *tx = &session->tx[channel];
    count += tx->skip == SKIP_DUE;
    if (first_lost(session, channel)) count++;
    const fardel_message *message = first_uncut(peer, channel);
    if (!message || !room || !is_within(tx->next, tx->limit)) continue;
    uint32_t left = 1;
    if (message->piece && message->cut)
      left = (fdl_stream_bytes(message) + MESSAGE_CRC_BYTES) / message->piece + 1u - message->cut;
    else if (fdl_stream_bytes(message) > session->mtu)
      left = 3;
    uint16_t open = ahead(tx->next, tx->limit);
    if (left > open) left = open;
    if (left > (uint32_t)room) left = (uint32_t)room;
    count += left < 3 ? (int)left : 3;
  }
  return count < 3 ? count : 3;
}

int fdl_is_blocked(const fardel_peer *peer) {
  const fardel_session *session = &peer->session;
  int is_blocked = 0;
  for (uint8_t channel = 0; channel < FARDEL_CHANNELS; channel++) {
    const fardel_tx *tx = &session->tx[channel];
    if (tx->skip == SKIP_DUE || tx->skip == SKIP_SENT || first_lost(session, channel)) return 0;
    if (tx->skip == SKIP_WAITING) is_blocked = 1;
    if (!first_uncut(peer, channel)) continue;
    if (is_within(tx->next, tx->limit) && has_room(session)) return 0;
    is_blocked = 1;
  }
  for (uint8_t i = 0; i < FARDEL_SEND_WINDOW; i++) {
    if (!session->flights[i].message) continue;
    if (!session->flights[i].is_lost) return 0;
    is_blocked = 1;
  }
  return is_blocked;
}
