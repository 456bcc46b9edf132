/* What acks say; PROTOCOL.md, sections 5.2, 6 and 7.2. */
#include "internal.h"

/** Incomplete acks in a row that may leave out a channel. */
#define LEFT_OUT_MAX 16

/* All of a message has arrived. */
static void complete(fardel_peer *peer, fardel_message *message) {
  for (fardel_message *each = peer->queue; each && each != message; each = each->next)
    if (each->channel == message->channel && message->channel < 6) each->state |= M_OVERTAKEN;
  fdl_end(peer, message, FARDEL_DELIVERED);
}

/* What was taken back when the window shrank (fdl_uncut) may have arrived all the same. */
static void recut(fardel_peer *peer, uint8_t channel, uint16_t next) {
  fardel_tx *tx = &peer->session.tx[channel];
  fardel_message *message = NULL;
  for (fardel_message *each = peer->queue; each; each = each->next)
    if (each->channel == channel && each->cut > 0) message = each;
  if (!message) return;
  while (tx->next != next && ahead(tx->next, next) < 0x8000 && message->cut < message->summed) {
    if (fdl_is_last(message, message->cut++)) message->state |= M_CUT;
    tx->next++;
  }
  if (message->open == 0 && message->state & M_CUT) complete(peer, message);
}

static int is_in_map(const fdl_frame *ack, uint16_t fragment) {
  uint16_t bit = ahead((uint16_t)(ack->number + 1), fragment);
  return bit < ack->count * 8u && ack->bytes[bit >> 3] >> (7 - (bit & 7)) & 1;
}

/* What the acks of a datagram say of all channels. */
typedef struct ack_summary {
  /** Greatest datagram that the peer had when it wrote them. */
  uint32_t largest;
  /** Channels, as bits: mentioned; with a closed window. */
  uint16_t mentioned;
  uint16_t shut;
  /** First fragment of which a map that was cut says nothing; its channel, FARDEL_CHANNELS: none. */
  uint16_t cut_from;
  uint8_t cut_channel;
  uint8_t is_prompt;
  uint8_t is_newest;
} ack_summary;

/* What has arrived on a channel. */
static void take_arrived(fardel_peer *peer, const fdl_frame *ack) {
  fardel_flight *flight = peer->session.flights;
  for (unsigned left = FARDEL_SEND_WINDOW; left > 0; left--, flight++) {
    fardel_message *message = flight->message;
    if (!message || message->channel != ack->channel) continue;
    int is_before = ahead(ack->number, flight->fragment) >= 0x8000;
    if (!is_before && !is_in_map(ack, flight->fragment)) continue;
    flight->message = NULL;
    if (--message->open == 0 && message->state & M_CUT) complete(peer, message);
  }
}

/* @returns 1: go on; 0: it acknowledges what was never sent; less: the session cannot go on */
static int take_ack(fardel_peer *peer, const fdl_frame *ack, ack_summary *all) {
  fardel_session *session = &peer->session;
  fardel_tx *tx = &session->tx[ack->channel];
  uint16_t bit = (uint16_t)(1u << ack->channel);
  uint32_t last = session->number - 1;
  all->largest = last - ((last - ack->largest) & 0xFFFF);
  if ((int32_t)(all->largest - (session->token >> 16)) < 0) return 0;
  uint16_t advance = ahead(tx->peer_next, ack->number);
  if (advance >= 0x8000) {
    /* Taken back: something is believed delivered that is not there. */
    if (all->is_newest) return -1;
    take_arrived(peer, ack);
  } else {
    recut(peer, ack->channel, ack->number);
    if (advance > ahead(tx->peer_next, tx->next)) return 0;
    take_arrived(peer, ack);
    tx->peer_next = ack->number;
    fdl_settle_skip(peer, ack->channel);
    if (all->is_newest) {
      tx->limit = (uint16_t)(ack->number + ack->value);
      if (ack->value && tx->skip == SKIP_WAITING) tx->skip = SKIP_DUE;
    }
  }
  all->mentioned |= bit;
  if (ack->value == 0) all->shut |= bit;
  all->is_prompt |= ack->flags & ACK_PROMPT;
  if (ack->flags & ACK_CUT) {
    all->cut_channel = ack->channel;
    all->cut_from = (uint16_t)(ack->number + ack->count * 8 + 1);
  }
  return 1;
}

/*
 * What the acks should have shown, and do not, is lost.
 * @returns whether something is open of which they say nothing
 */
static int judge(fardel_session *session, const ack_summary *all) {
  /* Channels of which they say everything. */
  uint16_t judged = all->cut_channel == FARDEL_CHANNELS ? UINT16_MAX : all->mentioned;
  int is_open = 0;
  fardel_tx *tx = session->tx;
  for (unsigned i = 0; i < FARDEL_CHANNELS; i++, tx++) {
    uint16_t bit = (uint16_t)(1u << i);
    if (!(judged & bit) && ++tx->left_out >= LEFT_OUT_MAX) judged |= bit;
    if (judged & bit) tx->left_out = 0;
    if (tx->skip != SKIP_SENT) continue;
    if (!(judged & bit)) is_open = 1;
    else if ((int32_t)(tx->skip_number - all->largest) <= 0)
      tx->skip = all->shut & bit ? SKIP_WAITING : SKIP_DUE;
  }
  fardel_flight *flight = session->flights;
  for (unsigned left = FARDEL_SEND_WINDOW; left > 0; left--, flight++) {
    if (!flight->message || flight->is_lost) continue;
    uint8_t channel = flight->message->channel;
    int is_told = channel != all->cut_channel || ahead(all->cut_from, flight->fragment) >= 0x8000;
    if (!(judged >> channel & 1)) is_open = 1;
    else if (is_told && (int32_t)(flight->number - all->largest) <= 0) flight->is_lost = 1;
  }
  return is_open;
}

int fdl_acks(fardel_peer *peer, const fdl_incoming *in) {
  fardel_session *session = &peer->session;
  ack_summary all;
  fdl_frame frame;
  memset(&all, 0, sizeof all);
  all.cut_channel = FARDEL_CHANNELS;
  all.is_newest = !session->has_acked || (int32_t)(in->number - session->carrier) > 0;
  fdl_begin_frames(&frame, in);
  while (fdl_read_frame(&frame) > 0) {
    if (frame.type != TYPE_ACK) continue;
    int result = take_ack(peer, &frame, &all);
    if (result <= 0) return result;
  }
  if (all.is_newest) session->carrier = in->number;
  if (!session->has_acked || (int32_t)(all.largest - session->largest_acked) > 0)
    session->largest_acked = all.largest;
  session->has_acked = 1;
  if (all.is_prompt) fdl_sample(peer, all.largest);
  int is_open = judge(session, &all);
  if ((int32_t)(all.largest - session->asked) >= 0 && !is_open) session->is_awaiting = 0;
  if (session->peer_token && (int32_t)(all.largest - session->token_since) >= 0) {
    fdl_disarm(session, T_CONFIRM);
    /* An older question was answered, and nothing is open that the newer one was put for. */
    if (!fdl_in_flight(session) && !fdl_is_blocked(peer)) session->is_awaiting = 0;
  }
  if (!session->is_awaiting) {
    fdl_disarm(session, T_PROBE);
    fdl_disarm(session, T_SILENCE);
  }
  fdl_note_windows(peer);
  return 0;
}
