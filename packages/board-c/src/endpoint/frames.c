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

/* Whether a number is new; then it is remembered. */
static int take_number(fardel_session *session, uint32_t number) {
  int32_t forward = (int32_t)(number - session->highest);
  if (!session->seen[0] && !session->seen[1]) {
    session->highest = number;
    forward = 0;
  }
  if (forward > 0) session->highest = number;
  if (forward >= REPLAY_WINDOW) {
    session->seen[0] = session->seen[1] = 0;
    forward = 0;
  }
  for (; forward > 0; forward--) {
    session->seen[1] = session->seen[1] << 1 | session->seen[0] >> 31;
    session->seen[0] <<= 1;
  }
  if (forward <= -REPLAY_WINDOW) return 0;
  uint8_t bit = (uint8_t)-forward;
  if (session->seen[bit >> 5] >> (bit & 31) & 1) return 0;
  session->seen[bit >> 5] |= 1u << (bit & 31);
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
  const uint8_t *at = fdl_frames_of(in);
  int has_acks = 0;
  uint32_t token = session->token;
  fdl_frame frame;
  while (fdl_read_frame(&frame, &at, fdl_end_of(in)) > 0) {
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

static int elicits(const fdl_incoming *in) {
  const uint8_t *at = fdl_frames_of(in);
  fdl_frame frame;
  while (fdl_read_frame(&frame, &at, fdl_end_of(in)) > 0)
    if (frame.type == TYPE_DATA || frame.type == TYPE_SKIP) return 1;
  return 0;
}

/* What a datagram of the session says besides its frames. @returns whether it is new */
static int note_datagram(fardel_peer *peer, const fdl_incoming *in, int is_opening) {
  fardel_session *session = &peer->session;
  uint32_t now = peer->endpoint->now_us;
  uint32_t highest = session->highest;
  uint32_t seen = session->seen[0] | session->seen[1];
  if (!take_number(session, in->number)) return 0;
  if (!is_opening && session->phase != PHASE_OPEN) verify(peer);
  peer->heard_us = now;
  session->credit_bytes += in->count;
  session->credit_datagrams++;
  session->not_acknowledged = 0;
  session->probes = 0;
  if (session->is_awaiting) fdl_arm(peer, T_SILENCE, UNREACHABLE_US);
  if (!fdl_is_long(in)) fdl_disarm(session, T_CONFIRM);
  int does_elicit = elicits(in);
  uint8_t ask = in->bytes[0] & HEAD_ASK;
  uint32_t now_highest = session->highest;
  if (seen) session->highest = highest; /* as it was, to see what is consecutive */
  fdl_note_arrival(peer, in->number, ask, does_elicit);
  session->highest = now_highest;
  if (ask == ASK_NOW && !does_elicit) fdl_mention_all(session);
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
