/* Whether there is something to send to a peer, and how urgent it is; PROTOCOL.md, 4.3, 7.4, 9. */
#include "writer.h"

/** Beyond the greatest acknowledged number the short form could not be completed. */
#define SHORT_FORM_REACH 1000

int32_t fdl_limit_of(const fardel_session *session) {
  /* Whoever wanted to talk to this address before it spoke is not bound by what it says. */
  if (session->phase != PHASE_ANSWERING || session->is_opener) return session->mtu;
  if (session->credit_datagrams <= 0) return 0;
  int32_t credit = session->credit_bytes - extra_of(session);
  return credit < session->mtu ? credit : session->mtu;
}

uint32_t fdl_numbers_ahead(const fardel_session *session) {
  return session->number - (session->has_acked ? session->largest_acked : session->token >> 16);
}

int fdl_is_far(const fardel_session *session) {
  return fdl_numbers_ahead(session) > SHORT_FORM_REACH;
}

/* Room for frames in the next datagram; section 2.2 and 4.3. */
static int32_t frames_room(const fardel_session *session) {
  int32_t limit = fdl_limit_of(session);
  if (session->phase != PHASE_OPEN) return limit - long_head_of(session) - HELLO_BYTES - CRC_BYTES;
  return limit - CRC_BYTES -
         (fdl_is_far(session) ? long_head_of(session) : SHORT_HEAD_BYTES);
}

int fdl_data_rank(const fardel_peer *peer, int may_repeat) {
  const fardel_session *session = &peer->session;
  pick picked;
  fdl_span span;
  int rank = fdl_pick(peer, &picked);
  int is_awaiting = session->is_awaiting;
  /* What may not go to an unverified peer makes us ask it to prove itself. */
  if (rank < 0)
    return session->phase == PHASE_ANSWERING && !is_awaiting && peer->queue ? 0 : -1;
  fdl_measure(session, &picked, &span);
  /* What has no room must wait for the peer's word. */
  if (span.bytes > frames_room(session)) return is_awaiting ? -1 : 0;
  /* While an opening waits for its answer, only the probe timer repeats what it carried. */
  if (session->phase == PHASE_OPENING && is_awaiting && !may_repeat && picked.flight) return -1;
  return rank;
}

int fdl_needs_question(const fardel_peer *peer) {
  const fardel_session *session = &peer->session;
  if (session->is_awaiting) return 0;
  return (session->needs_ask || fdl_in_flight(session)) && fdl_data_rank(peer, 0) < 0;
}

int fdl_is_ack_due(const fardel_peer *peer) {
  return fdl_is_over(peer, T_ACK) || fdl_is_over(peer, T_QUIET);
}

int fdl_is_skip_due(const fardel_peer *peer, uint8_t channel) {
  const fardel_tx *tx = &peer->session.tx[channel];
  return tx->skip == SKIP_DUE && peer->session.phase == PHASE_OPEN;
}

int fdl_rank(const fardel_peer *peer) {
  const fardel_session *session = &peer->session;
  if (session->phase == PHASE_NONE) return -1;
  if (fdl_limit_of(session) < long_head_of(session) + CRC_BYTES) return -1;
  if (fdl_is_ack_due(peer) || session->is_probe_due) return 3;
  for (uint8_t i = 0; i < FARDEL_CHANNELS; i++)
    if (fdl_is_skip_due(peer, i)) return 3;
  if (fdl_needs_question(peer)) return 3;
  int rank = fdl_data_rank(peer, 0);
  if (session->phase == PHASE_OPENING && !(session->is_awaiting) && rank < 0) return 0;
  return rank;
}
