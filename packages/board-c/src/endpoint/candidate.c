/* A peer that comes back with another token, or somebody who says so; PROTOCOL.md, section 4.4. */
#include "internal.h"

#ifndef FARDEL_SMALL

int fdl_is_candidate(const fardel_peer *peer, uint32_t peer_token) {
  return peer->candidate.token && peer->candidate.peer_token == peer_token;
}

int fdl_names_candidate(const fardel_peer *peer, const fdl_incoming *in) {
  return peer->candidate.token == in->to && in->to != peer->session.token;
}

int fdl_is_answer_due(const fardel_peer *peer) {
  return peer->candidate.token && peer->candidate.bytes;
}

int fdl_is_echo(const fardel_peer *peer, fdl_incoming *in) {
  const fardel_candidate *candidate = &peer->candidate;
  uint16_t forward = (uint16_t)(fdl_get_u16(in->bytes + 1) - candidate->seen);
  in->number = candidate->seen + forward;
  return candidate->token && forward <= AHEAD_MAX &&
         fdl_check_short(peer, &candidate->guard, in, candidate->token, candidate->peer_token) &
             FRAMES_GOOD;
}

void fdl_forget_candidate(fardel_peer *peer) { peer->candidate.token = 0; }

int fdl_promote(fardel_peer *peer) {
  fardel_candidate *candidate = &peer->candidate;
  fardel_session *session = &peer->session;
  if (!candidate->token) return 0;
  fdl_create(peer, candidate->token, candidate->number);
  candidate->token = 0;
  fdl_guard_promote(peer);
  fdl_adopt(peer, candidate->peer_token);
  session->token_since = session->token >> 16;
  session->highest = candidate->seen;
  session->seen[0] = 1;
  /* Its HELLO will not come again. */
  if (candidate->window) fdl_hello(peer, candidate->mtu, candidate->window);
  return 1;
}

int fdl_replace_session(fardel_peer *peer) {
  int is_free = peer->session.phase == PHASE_NONE;
  if (!is_free && !fdl_end_unless_busy(peer, FARDEL_PEER_RESTARTED)) return 0;
  return fdl_promote(peer);
}

void fdl_note_candidate(fardel_peer *peer, const fdl_incoming *in) {
  fardel_candidate *candidate = &peer->candidate;
  if (!fdl_is_candidate(peer, in->from)) {
    candidate->token = fdl_draw_token(peer->endpoint);
    candidate->peer_token = in->from;
    candidate->number = candidate->token >> 16;
    fdl_guard_begin(peer, &candidate->guard, candidate->token);
    fdl_guard_adopt(peer, &candidate->guard, in->from, in);
  } else if ((int32_t)(in->number - candidate->seen) <= 0) {
    return;
  }
  fdl_frame frame;
  fdl_begin_frames(&frame, in);
  candidate->seen = in->number;
  candidate->bytes = in->count;
  candidate->window = 0;
  if (fdl_read_frame(&frame) <= 0 || frame.type != TYPE_HELLO) return;
  candidate->mtu = frame.number;
  candidate->window = frame.value;
}

uint16_t fdl_compose_answer(fardel_peer *peer) {
  fardel_candidate *candidate = &peer->candidate;
  fardel_endpoint *endpoint = peer->endpoint;
  uint16_t mtu = endpoint->config->mtu_bytes;
  /* Never longer than what it answers. */
  int limit = candidate->bytes < mtu ? candidate->bytes : mtu;
  uint32_t number = candidate->number++;
  uint8_t *at = fdl_put_long_head(endpoint, candidate->token, candidate->peer_token, number);
  at = fdl_put_salt(endpoint, &candidate->guard, at);
  limit -= (int)(at - endpoint->datagram) + TAIL_OF(&candidate->guard);
  candidate->bytes = 0;
  if (limit >= HELLO_BYTES) at = fdl_put_hello(endpoint, at);
  if (limit >= HELLO_BYTES + ACK_BYTES) {
    *at++ = TYPE_ACK;
    at = fdl_put_u16(at, (uint16_t)candidate->seen);
    at = fdl_put_u16(at, (uint16_t)candidate->peer_token);
    *at++ = endpoint->config->window;
    *at++ = ACK_PROMPT;
  }
  return SEAL(endpoint, &candidate->guard, candidate->peer_token, number, NULL, at);
}

#endif
