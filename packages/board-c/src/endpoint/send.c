/* The sending side of a session: what is under way, and what is given up; PROTOCOL.md, 5.2, 5.4. */
#include "internal.h"

#define REQUEST_HEAD_BYTES 3
/** A damaged message is sent anew so many times. */
#define DAMAGED_MAX 3

void fdl_tx_open(fardel_session *session) {
  uint16_t start = (uint16_t)session->token;
  for (uint8_t i = 0; i < FARDEL_CHANNELS; i++) {
    fardel_tx *tx = &session->tx[i];
    tx->next = tx->peer_next = start;
    tx->limit = (uint16_t)(start + 1);
  }
}

uint32_t fdl_stream_bytes(const fardel_message *message) {
  return message->length + (message->kind ? REQUEST_HEAD_BYTES : 0);
}

int fdl_is_answer(const fardel_message *message) {
  return message->kind == FARDEL_REPLY || message->kind == FARDEL_FAILURE;
}

void fdl_span_of(const fardel_message *message, uint16_t index, fdl_span *span) {
  uint32_t total = fdl_stream_bytes(message);
  uint32_t left = total;
  uint16_t piece = message->piece;
  span->offset = 0;
  span->shape = DATA_FIRST | DATA_LAST;
  span->bytes = DATA_HEAD_BYTES;
  if (total > piece) {
    uint8_t head = fdl_varint_bytes(total);
    span->shape = 0;
    if (index == 0) {
      span->shape = DATA_FIRST;
      span->bytes += head;
      left = (uint32_t)piece - head;
    } else {
      span->offset = (uint32_t)index * piece - head;
      /* The CRC may be alone in the last one, behind one that is not full. */
      if (span->offset > total) span->offset = total;
      left -= span->offset;
      if (left + MESSAGE_CRC_BYTES <= piece) {
        span->shape = DATA_LAST;
        span->bytes += MESSAGE_CRC_BYTES;
      } else if (left > piece) {
        left = piece;
      }
    }
  }
  span->count = (uint16_t)left;
  span->bytes = (uint16_t)(span->bytes + left);
}

int fdl_is_last(const fardel_message *message, uint16_t index) {
  fdl_span span;
  fdl_span_of(message, index, &span);
  return span.shape & DATA_LAST;
}

int fdl_in_flight(const fardel_session *session) {
  for (uint8_t i = 0; i < FARDEL_SEND_WINDOW; i++)
    if (session->flights[i].message && !session->flights[i].is_lost) return 1;
  for (uint8_t i = 0; i < FARDEL_CHANNELS; i++)
    if (session->tx[i].skip == SKIP_SENT) return 1;
  return 0;
}

void fdl_rewind(fardel_message *message) {
  message->cut = message->open = message->summed = 0;
  message->crc = 0;
  message->state = M_QUEUED | (message->state & M_REPLACED);
}

const fardel_message *fdl_last_of(const fardel_peer *peer) {
  const fardel_message *last = peer->queue;
  while (last && last->next) last = last->next;
  return last;
}

void fdl_tell_end(fardel_endpoint *endpoint, fardel_message *message, int result) {
  message->next = NULL;
  message->state = 0;
  endpoint->config->ended(endpoint->config->context, message, result);
}

void fdl_end(fardel_peer *peer, fardel_message *message, int result) {
  for (fardel_message **at = &peer->queue; *at; at = &(*at)->next) {
    if (*at != message) continue;
    *at = message->next;
    break;
  }
  for (uint8_t i = 0; i < FARDEL_LINK_DEPTH_MAX; i++)
    if (peer->endpoint->tickets[i].loose == message) peer->endpoint->tickets[i].loose = NULL;
  if (result < 0 && message->state & M_REPLACED) result = FARDEL_REPLACED;
  peer->is_held = 1;
  fdl_tell_end(peer->endpoint, message, result);
  peer->is_held = 0;
}

uint16_t fdl_skip_target(const fardel_peer *peer, uint8_t channel) {
  for (const fardel_message *each = peer->queue; each; each = each->next)
    if (each->channel == channel && each->cut > 0) return each->first;
  return peer->session.tx[channel].next;
}

int fdl_settle_skip(fardel_peer *peer, uint8_t channel) {
  fardel_tx *tx = &peer->session.tx[channel];
  if (tx->skip == SKIP_NONE) return 0;
  uint16_t target = fdl_skip_target(peer, channel);
  uint16_t distance = ahead(tx->peer_next, target);
  uint8_t before = tx->skip;
  if (distance == 0 || distance >= 0x8000)
    tx->skip = target == tx->next ? SKIP_NONE : SKIP_LATER;
  else if (before == SKIP_LATER)
    tx->skip = SKIP_DUE;
  return tx->skip != before;
}

void fdl_give_up(fardel_peer *peer, fardel_message *message) {
  fardel_session *session = &peer->session;
  for (uint8_t i = 0; i < FARDEL_SEND_WINDOW; i++)
    if (session->flights[i].message == message) session->flights[i].message = NULL;
  if (message->channel >= FARDEL_LOOSE || message->cut == 0) return;
  fardel_tx *tx = &session->tx[message->channel];
  if (!(message->state & M_CUT)) {
    /* One number more than was sent: the peer's `next` beyond it shows that it knows. */
    int was_cut = fdl_is_last(message, (uint16_t)(message->summed - 1));
    tx->next = (uint16_t)(message->first + message->summed + (was_cut ? 0 : 1));
  }
  tx->skip = SKIP_DUE;
  fdl_rewind(message);
}

void fdl_take_back(fardel_peer *peer) {
  fardel_session *session = &peer->session;
  uint16_t piece = (uint16_t)(session->mtu - FARDEL_AROUND_BYTES);
  for (uint8_t i = 0; i < FARDEL_SEND_WINDOW; i++) {
    fardel_message *message = session->flights[i].message;
    if (!message || fdl_stream_bytes(message) <= piece) continue;
    session->flights[i].message = NULL;
    session->tx[message->channel].next--;
    fdl_rewind(message);
  }
}

void fdl_uncut(fardel_session *session) {
  for (uint8_t i = 0; i < FARDEL_SEND_WINDOW; i++) {
    fardel_flight *flight = &session->flights[i];
    fardel_message *message = flight->message;
    if (!message || !flight->is_lost) continue;
    fardel_tx *tx = &session->tx[message->channel];
    uint16_t room = ahead(flight->fragment, tx->limit);
    /* The first one stays: a message that has begun is known by it. */
    int can_go = flight->fragment == (uint16_t)(tx->next - 1) && message->cut > 1;
    if (!can_go || (room > 0 && room < 0x8000)) continue;
    flight->message = NULL;
    tx->next--;
    message->cut--;
    message->open--;
    message->state &= (uint8_t)~M_CUT;
    i = UINT8_MAX; /* The one before it may be the last now. */
  }
}

void fdl_stop(fardel_peer *peer, const fdl_frame *frame) {
  fardel_message *message = peer->queue;
  int is_newest = 1;
  while (message && !(message->channel == frame->channel && message->cut > 0 &&
                      message->first == frame->number))
    message = message->next;
  if (!message) return;
  for (fardel_message *each = message->next; each; each = each->next)
    if (each->channel == message->channel && each->cut > 0) is_newest = 0;
  fdl_give_up(peer, message);
  int is_damaged = frame->value == STOP_DAMAGED;
  if (is_damaged && ++message->times_damaged <= DAMAGED_MAX && (is_newest || message->channel >= 6))
    return; /* It goes anew, with other numbers. */
  fdl_end(peer, message, is_damaged ? FARDEL_DAMAGED : FARDEL_REFUSED);
}

void fdl_lose(fardel_session *session, int all, uint32_t number) {
  for (uint8_t i = 0; i < FARDEL_SEND_WINDOW; i++)
    if (all || session->flights[i].number == number) session->flights[i].is_lost = 1;
  for (uint8_t i = 0; i < FARDEL_CHANNELS; i++) {
    fardel_tx *tx = &session->tx[i];
    if (tx->skip == SKIP_SENT && (all || tx->skip_number == number)) tx->skip = SKIP_DUE;
  }
}
