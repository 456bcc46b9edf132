/* What datagrams of a session say; PROTOCOL.md, sections 2.3, 3, 4.3 and 11. */
#include "internal.h"

#define CONFIRM_US 1000000u
#define REPLAY_WINDOW 64

int fdl_complete_number(const fardel_session *session, uint16_t low, uint32_t *number) {
  uint16_t forward = (uint16_t)(low - session->highest);
  *number = session->highest + forward;
  if (forward <= AHEAD_MAX) return 1;
  *number -= 0x10000;
  return forward >= 0x10000 - (REPLAY_WINDOW - 1);
}

/* Whether a number is new, so far beyond the greatest one; then it is remembered. */
static int take_number(fardel_session *session, uint32_t number, int32_t forward) {
  uint32_t *seen = session->seen;
  if (forward <= -REPLAY_WINDOW) return 0;
  if (forward >= REPLAY_WINDOW) seen[0] = seen[1] = 0;
  if (forward >= 0) session->highest = number;
  for (; forward > 0 && (seen[0] | seen[1]) != 0; forward--) {
    seen[1] = seen[1] << 1 | seen[0] >> 31;
    seen[0] <<= 1;
  }
  uint8_t bit = forward > 0 ? 0 : (uint8_t)-forward;
  uint32_t mask = 1u << (bit & 31);
  if (seen[bit >> 5] & mask) return 0;
  seen[bit >> 5] |= mask;
  return 1;
}

static void verify(fardel_peer *peer) {
  fardel_session *session = &peer->session;
  session->phase = PHASE_OPEN;
  peer->is_known = 1;
  if (session->is_opener) {
    /* An opening that carried a request is confirmed at once. */
    int has_request = session->tx[14].next != (uint16_t)session->token ||
                      session->tx[15].next != (uint16_t)session->token;
    fdl_arm(peer, T_CONFIRM, (has_request ? 0 : CONFIRM_US));
  }
  fdl_tell_session(peer, FARDEL_OPENED, FARDEL_OK);
}

/*
 * Frames of a datagram of the session, in their order; acks come last.
 * @returns 0, or why the peer wants the session to end
 */
static int handle_frames(fardel_peer *peer, const fdl_incoming *in, int is_opening) {
  fardel_session *session = &peer->session;
  int has_acks = 0;
  uint32_t token = session->token;
  fdl_frame frame;
  fdl_begin_frames(&frame, in);
  while (fdl_read_frame(&frame) > 0) {
    /* Somebody may have repeated it. */
    if (is_opening && is_secret(in) && frame.type != TYPE_HELLO) continue;
    switch (frame.type) {
      case TYPE_HELLO:
        fdl_hello(peer, frame.number, frame.value);
        break;
      case TYPE_DATA:
        if (!fdl_data(peer, &frame)) break;
        frame.number++;
        fdl_skip(peer, &frame, SKIP_DROP);
        fdl_drain(peer, &frame);
        break;
      case TYPE_LOOSE:
        fdl_loose(peer, &frame);
        break;
      case TYPE_SKIP:
        if (is_opening) break;
        session->rx_used |= (uint16_t)(1u << frame.channel);
        session->rx[frame.channel].news = 2;
        fdl_skip(peer, &frame, SKIP_DELIVER);
        fdl_drain(peer, &frame);
        break;
      case TYPE_STOP:
        if (!is_opening) fdl_stop(peer, &frame);
        break;
      case TYPE_ACK:
        has_acks = !is_opening;
        break;
      case TYPE_CLOSE:
        if (!is_opening) return FARDEL_PEER_CLOSED;
        break;
    }
    if (session->token != token) return 0;
  }
  return has_acks && fdl_acks(peer, in) < 0 ? FARDEL_PEER_RESTARTED : 0;
}

/* What a datagram of the session says besides its frames. @returns whether it is new */
static int note_datagram(fardel_peer *peer, const fdl_incoming *in, int is_opening) {
  fardel_session *session = &peer->session;
  /* The first one of all counts as the greatest. */
  int is_first = (session->seen[0] | session->seen[1]) == 0;
  int32_t forward = is_first ? 0 : (int32_t)(in->number - session->highest);
  if (!take_number(session, in->number, forward)) return 0;
  if (!is_opening && session->phase != PHASE_OPEN) verify(peer);
  peer->heard_us = peer->endpoint->now_us;
  session->credit_bytes += in->count;
  session->credit_datagrams++;
  session->not_acknowledged = 0;
  session->probes = 0;
  if (session->is_awaiting) fdl_arm(peer, T_SILENCE, UNREACHABLE_US);
  if (!fdl_is_long(in)) fdl_disarm(session, T_CONFIRM);
  fdl_note_arrival(peer, in, forward);
  return 1;
}

int fdl_take(fardel_peer *peer, const fdl_incoming *in) {
  fardel_session *session = &peer->session;
  int is_opening = fdl_is_long(in) && in->to == 0;
  if (!note_datagram(peer, in, is_opening)) return 0;
  uint32_t token = session->token;
  int reason = handle_frames(peer, in, is_opening);
  if (session->token != token) return 0;
  uint32_t wait = 0;
  if (session->has_loose) wait = LOOSE_US;
  if (fdl_holds_part(session)) wait = 2 * UNREACHABLE_US;
  fdl_disarm(session, T_ABANDON);
  if (wait) fdl_arm(peer, T_ABANDON, wait);
  return reason;
}
