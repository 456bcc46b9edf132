/* Datagrams that come: who is believed; PROTOCOL.md, sections 4.3 to 4.5. */
#include "internal.h"

/* What becomes of a datagram. */
enum { DROP, TAKE, ANSWER };

static int receive_short(fardel_peer *peer, fdl_incoming *in) {
  const fardel_session *session = &peer->session;
  uint16_t low = fdl_get_u16(in->bytes + 1);
  if (session->phase >= PHASE_ANSWERING && fdl_complete_number(session, low, &in->number) &&
      fdl_check_short(peer, &session->guard, in, session->token, session->peer_token) & FRAMES_GOOD)
    return TAKE;
  return fdl_is_echo(peer, in) && fdl_replace_session(peer) ? TAKE : DROP;
}

static int receive_opening(fardel_peer *peer, const fdl_incoming *in) {
  fardel_session *session = &peer->session;
  uint32_t from = in->from;
  /* A stale copy, and the answer is ignored; or a peer that has not heard that we ended the session. */
  if (fdl_has_ended(peer, from)) return ANSWER;
  int is_known = fdl_is_candidate(peer, from);
#ifdef FARDEL_SMALL
  int is_other = session->peer_token && session->peer_token != from;
  if (is_other && !fdl_end_unless_busy(peer, FARDEL_PEER_RESTARTED)) return DROP;
#endif
  if (session->phase == PHASE_NONE && !(is_known && fdl_promote(peer))) fdl_create_anew(peer);
  if (session->peer_token == 0 && !is_known) {
    fdl_adopt(peer, from);
    fdl_guard_adopt(peer, &session->guard, from, in);
  }
  if (session->peer_token == from) return TAKE;
#ifndef FARDEL_SMALL
  fdl_note_candidate(peer, in);
#endif
  return DROP;
}

/* Both tokens are named: it must be our session, or the candidate's first echo. */
static int receive_long(fardel_peer *peer, const fdl_incoming *in) {
  fardel_session *session = &peer->session;
  if (fdl_names_candidate(peer, in))
    if (!fdl_is_candidate(peer, in->from) || !fdl_replace_session(peer)) return DROP;
  if (session->phase == PHASE_NONE || session->token != in->to) return ANSWER;
  if (session->phase != PHASE_OPEN && session->peer_token != in->from) {
    /* Before it has named ours, a token is only somebody's claim. */
    if (fdl_has_ended(peer, in->from)) {
      fdl_end_session(peer, FARDEL_PEER_RESTARTED);
      return ANSWER;
    }
    if (session->peer_token) fdl_forget_peer_token(peer);
    fdl_adopt(peer, in->from);
    fdl_guard_adopt(peer, &session->guard, in->from, in);
  }
  if (session->peer_token == in->from) {
    fdl_guard_follow(peer, in);
    return TAKE;
  }
  if (in->count >= no_session_of(session)) session->is_suspect = session->is_probe_due = 1;
  return DROP;
}

static void receive_no_session(fardel_peer *peer, const fdl_incoming *in) {
  fardel_session *session = &peer->session;
  uint32_t number = in->number;
  if (session->phase == PHASE_NONE || session->token != in->to || fdl_is_stale(peer, in)) return;
  int is_ours = session->phase != PHASE_OPEN && number - session->openings_from <
                                                    session->openings_to - session->openings_from;
  if (!is_ours) {
    if (number - session->token_since >= session->number - session->token_since) return;
    is_ours = session->phase == PHASE_OPEN || !(session->is_opener) || !session->peer_token;
  }
  if (is_ours) {
    fdl_end_unless_busy(peer, FARDEL_PEER_RESTARTED);
    return;
  }
  fdl_forget_peer_token(peer);
}

static int receive(fardel_peer *peer, fdl_incoming *in) {
  int what = DROP;
  peer->datagrams_received++;
  if (!fdl_is_long(in)) what = receive_short(peer, in);
  else if (in->from == 0) receive_no_session(peer, in);
  else if (in->to == 0) what = receive_opening(peer, in);
  else what = receive_long(peer, in);
  int reason = what == TAKE ? fdl_take(peer, in) : 0;
  if (reason) fdl_end_unless_busy(peer, reason);
  return what == ANSWER;
}

static void answer(fardel_endpoint *endpoint, const uint8_t *address, const fdl_incoming *in) {
  /* One waits at most: who is not answered asks again. */
  if (in->count < answer_bytes(in) || endpoint->answer_token) return;
  endpoint->answer_token = in->from;
  endpoint->answer_number = in->number;
  memcpy(endpoint->answer_address, address, FARDEL_ADDRESS_BYTES);
  fdl_note_answer(endpoint, address, in);
}

void fardel_datagram(fardel_endpoint *endpoint, const uint8_t *address, const uint8_t *datagram,
                     uint16_t bytes, int8_t rssi_dbm, uint32_t now_us) {
  fdl_incoming in = {.bytes = datagram, .count = bytes};
  endpoint->now_us = now_us;
  /* Longer than what HELLO stated: taking it could contradict a fragment that was cut anew. */
  if (!fdl_is_datagram(datagram, bytes) || bytes > endpoint->config->mtu_bytes) return;
  if (!fdl_is_welcome(endpoint, address, &in)) return;
  fardel_peer *peer = fdl_find_peer(endpoint, address);
  int is_stray = 0;
  if (fdl_is_long(&in)) {
    in.from = fdl_get_u32(datagram + 1);
    in.to = fdl_get_u32(datagram + 5);
    in.number = fdl_get_u32(datagram + 9);
    /* Damage must not make us say that there is no session, nor remember a stranger. */
    int what = fdl_check_long(endpoint, address, peer, &in);
    if (!what || (what == FRAMES_NO_SESSION) != (in.from == 0)) return;
    if (!peer && in.from && !in.to) peer = fdl_admit(endpoint, address);
    else is_stray = !peer && in.from;
  }
  if (peer) {
    peer->turn = ++endpoint->turn;
    peer->rssi_dbm = rssi_dbm;
    is_stray = receive(peer, &in);
  }
  if (is_stray) answer(endpoint, address, &in);
}
