/* A peer that comes back with another token, or somebody who says so; PROTOCOL.md, section 4.4. */
#include "internal.h"

int fdl_is_candidate(const fardel_peer *peer, uint32_t peer_token) {
  return peer->candidate_token && peer->candidate_peer_token == peer_token;
}

/* The candidate becomes the session: with its tokens, and the one datagram that was received under them. */
void fdl_promote(fardel_peer *peer) {
  fdl_create(peer, peer->candidate_token, peer->candidate_number);
  peer->candidate_token = 0;
  fdl_adopt(peer, peer->candidate_peer_token);
  peer->session.token_since = peer->session.token >> 16;
  peer->session.highest = peer->candidate_seen;
  peer->session.seen[0] = 1;
  /* Its HELLO will not come again. */
  if (peer->candidate_window) fdl_hello(peer, peer->candidate_mtu, peer->candidate_window);
}

int fdl_is_echo(const fardel_peer *peer, fdl_incoming *in) {
  uint16_t forward = (uint16_t)(fdl_get_u16(in->bytes + 1) - peer->candidate_seen);
  in->number = peer->candidate_seen + forward;
  return peer->candidate_token && forward <= AHEAD_MAX &&
         fdl_check(in, peer->candidate_token, peer->candidate_peer_token) == 1;
}

/* The candidate has named its token: the old session is over. @returns 0: not while the application is busy */
int fdl_replace_session(fardel_peer *peer) {
  if (peer->session.phase != PHASE_NONE && !fdl_end_unless_busy(peer, FARDEL_PEER_RESTARTED)) return 0;
  fdl_promote(peer);
  return 1;
}

/* Its opening, which is answered next time that something goes. */
void fdl_note_candidate(fardel_peer *peer, const fdl_incoming *in) {
  if (!fdl_is_candidate(peer, in->from)) {
    peer->candidate_token = fdl_draw_token(peer->endpoint);
    peer->candidate_peer_token = in->from;
    peer->candidate_number = peer->candidate_token >> 16;
  } else if ((int32_t)(in->number - peer->candidate_seen) <= 0) {
    return;
  }
  peer->candidate_seen = in->number;
  peer->candidate_bytes = in->count;
  const uint8_t *at = fdl_frames_of(in);
  fdl_frame frame;
  int is_hello = fdl_read_frame(&frame, &at, fdl_end_of(in)) > 0 && frame.type == TYPE_HELLO;
  peer->candidate_mtu = is_hello ? frame.number : 0;
  peer->candidate_window = is_hello ? frame.value : 0;
}

uint16_t fdl_compose_answer(fardel_peer *peer) {
  uint16_t limit = peer->candidate_bytes;
  uint8_t *at = fdl_put_long_head(peer->endpoint, peer->candidate_token,
                                  peer->candidate_peer_token, peer->candidate_number++);
  at = fdl_put_hello(peer->endpoint, at);
  peer->candidate_bytes = 0;
  if (limit >= LONG_HEAD_BYTES + HELLO_BYTES + ACK_BYTES + CRC_BYTES &&
      peer->endpoint->config->mtu_bytes >= LONG_HEAD_BYTES + HELLO_BYTES + ACK_BYTES + CRC_BYTES) {
    *at++ = TYPE_ACK;
    at = fdl_put_u16(at, (uint16_t)peer->candidate_seen);
    at = fdl_put_u16(at, (uint16_t)peer->candidate_peer_token);
    *at++ = peer->endpoint->config->window;
    *at++ = ACK_PROMPT;
  }
  return fdl_seal(peer->endpoint, NULL, at);
}
