/* Sessions: how they open, wait, and end; PROTOCOL.md, sections 4, 7.3, 7.4 and 10. */
#include "internal.h"

/** Datagrams in a row that the neighbour did not take; then sending waits for the probe timer. */
#define NOT_ACKNOWLEDGED_MAX 3
/** A session ends before its numbers would be used again. */
#define NUMBER_MAX 0xFFFFFFF0u

uint32_t fdl_draw_token(fardel_endpoint *endpoint) {
  uint32_t token;
  do token = endpoint->config->random(endpoint->config->context);
  while (token == 0);
  return token;
}

static void remember_ended(fardel_peer *peer, uint32_t token) {
  if (token == 0) return;
  memmove(peer->ended + 1, peer->ended, sizeof peer->ended - sizeof peer->ended[0]);
  peer->ended[0] = token;
}

int fdl_has_ended(const fardel_peer *peer, uint32_t token) {
  for (uint8_t i = 0; i < FARDEL_ENDED_TOKENS; i++)
    if (peer->ended[i] == token) return 1;
  return 0;
}

static void forget_received(fardel_session *session) {
  session->highest = 0;
  session->seen[0] = session->seen[1] = 0;
  session->peer_window = 0;
  session->is_burst = 0;
  session->is_prompt = 0;
}

/* The token that was believed to be the peer's is not, or not any more: open anew with our own. */
void fdl_forget_peer_token(fardel_peer *peer) {
  fardel_session *session = &peer->session;
  remember_ended(peer, session->peer_token);
  fdl_rx_close(peer);
  session->peer_token = 0;
  session->token_since = session->number;
  session->mtu = (uint16_t)(peer->endpoint->config->mtu_bytes - extra_of(session));
  session->phase = PHASE_OPENING;
  fdl_guard_forget_peer(peer);
  session->is_awaiting = 0;
  fdl_disarm(session, T_PROBE);
  fdl_disarm(session, T_ACK);
  fdl_disarm(session, T_QUIET);
  forget_received(session);
  fdl_lose(session, 1, 0);
}

/* ... and the next one is believed. */
void fdl_adopt(fardel_peer *peer, uint32_t token) {
  fardel_session *session = &peer->session;
  if (session->token_since != session->number) {
    session->openings_from = session->token_since;
    session->openings_to = session->number;
  }
  session->peer_token = token;
  session->token_since = session->number;
  session->phase = PHASE_ANSWERING;
  forget_received(session);
  fdl_rx_open(session);
  /* A token belongs to one session only, or its messages could come twice. */
  if (fdl_is_candidate(peer, token)) fdl_forget_candidate(peer);
}

void fdl_clear_session(fardel_peer *peer) {
  fardel_session *session = &peer->session;
  fardel_arrays *arrays = &peer->arrays;
  memset(session, 0, sizeof *session);
  memset(arrays, 0, sizeof *arrays);
  session->flights = arrays->flights;
  session->tx = arrays->tx;
  session->rx = arrays->rx;
}

void fdl_create(fardel_peer *peer, uint32_t token, uint32_t number) {
  fardel_session *session = &peer->session;
  fdl_clear_session(peer);
  session->token = token;
  session->number = session->token_since = number;
  session->mtu = peer->endpoint->config->mtu_bytes;
  session->phase = PHASE_OPENING;
  peer->heard_us = peer->endpoint->now_us;
  fdl_tx_open(session);
}

void fdl_create_anew(fardel_peer *peer) {
  uint32_t token = fdl_draw_token(peer->endpoint);
  fdl_create(peer, token, token >> 16);
  fdl_guard_begin(peer, &peer->session.guard, token);
  peer->session.mtu = (uint16_t)(peer->session.mtu - extra_of(&peer->session));
}

void fdl_hello(fardel_peer *peer, uint16_t mtu, uint8_t window) {
  fardel_session *session = &peer->session;
  if (session->peer_window) return;
  session->peer_window = window;
  /* No honest one states less. */
  if (is_protected(session) && mtu < PROTECTED_MTU_MIN) mtu = PROTECTED_MTU_MIN;
  mtu = (uint16_t)(mtu - extra_of(session));
  if (mtu < session->mtu) session->mtu = mtu;
  for (uint8_t i = 0; i < FARDEL_CHANNELS; i++)
    session->tx[i].limit = (uint16_t)(session->tx[i].peer_next + window);
  fdl_take_back(peer);
  fardel_message *each = peer->queue;
  while (each) {
    fardel_message *next = each->next;
    if (fdl_is_too_large(each, session->mtu)) fdl_end(peer, each, FARDEL_TOO_LARGE);
    each = next;
  }
}

void fdl_open_session(fardel_peer *peer) {
  if (!fdl_promote(peer)) fdl_create_anew(peer);
}

/* Whether a message goes on in the next session. */
static int goes_on(const fardel_message *message) {
  if (fdl_is_answer(message)) return 0;
  if (message->channel < 6 && message->state & M_OVERTAKEN) return 0;
  return message->channel >= FARDEL_LOOSE || !(message->state & M_CUT) ||
         message->options & FARDEL_RESEND;
}

void fdl_tell_session(fardel_peer *peer, int what, int reason) {
  const fardel_config *config = peer->endpoint->config;
  if (!config->session) return;
  peer->is_held = 1;
  config->session(config->context, peer->address, what, reason);
  peer->is_held = 0;
}

void fdl_end_session(fardel_peer *peer, int result) {
  fardel_session *session = &peer->session;
  fdl_rx_close(peer);
  remember_ended(peer, session->peer_token);
  int was_open = session->phase == PHASE_OPEN;
  fdl_clear_session(peer);
  if (was_open) fdl_tell_session(peer, FARDEL_ENDED, result);
  /* Those that callbacks send from now on come behind the ones that are here. */
  const fardel_message *last = fdl_last_of(peer);
  for (fardel_message *each = peer->queue; each;) {
    fardel_message *next = each == last ? NULL : each->next;
    /* An unacknowledged one that is with the link ends by the link's word. */
    int has_left = each->channel >= FARDEL_LOOSE && each->state & M_CUT;
    if (result != FARDEL_PEER_RESTARTED || !goes_on(each)) fdl_end(peer, each, result);
    else if (!has_left) fdl_rewind(each);
    each = next;
  }
}

/* What only a peer can say ends nothing while the application is busy with what was acknowledged. */
int fdl_end_unless_busy(fardel_peer *peer, int result) {
  if (fdl_is_busy(&peer->session)) return 0;
  if (result != FARDEL_UNREACHABLE) {
    /* The peer has forgotten it: what waits may pass gaps, and may make the application busy. */
    fdl_rx_flush(peer);
    if (fdl_is_busy(&peer->session)) return 0;
  }
  fdl_end_session(peer, result);
  return 1;
}

void fdl_outcome(fardel_peer *peer, uint32_t number, int outcome) {
  fardel_session *session = &peer->session;
  int is_asked = session->is_awaiting && session->asked == number;
  if (session->sampled == number) {
    session->sampled_us = peer->endpoint->now_us;
    if (outcome == FARDEL_NOT_SENT) session->is_sampling = 0;
  }
  if (outcome != FARDEL_NOT_SENT && is_asked) {
    if (!(session->has_left)) session->left_us = peer->endpoint->now_us;
    session->has_left = 1;
    session->jitter = (uint8_t)peer->endpoint->config->random(peer->endpoint->config->context);
    fdl_arm(peer, T_PROBE, fdl_interval(peer, session->probes));
  }
  if (outcome == FARDEL_LEFT || outcome == FARDEL_ACKNOWLEDGED) {
    session->not_acknowledged = 0;
    return;
  }
  if (outcome == FARDEL_NOT_ACKNOWLEDGED && ++session->not_acknowledged > NOT_ACKNOWLEDGED_MAX)
    return;
  fdl_lose(session, 0, number);
  fdl_note_windows(peer);
  if (is_asked && session->phase != PHASE_OPENING) {
    session->is_awaiting = 0;
    session->needs_ask = 1;
    fdl_disarm(session, T_PROBE);
  } else if (is_asked && outcome == FARDEL_NOT_SENT) {
    fdl_arm(peer, T_PROBE, fdl_interval(peer, session->probes));
  }
}

static void probe(fardel_session *session) {
  if (session->probes < UINT8_MAX) session->probes++;
  fdl_disarm(session, T_PROBE);
  /* One more that the neighbour does not take, and sending waits again. */
  session->not_acknowledged = NOT_ACKNOWLEDGED_MAX;
  session->is_probe_due = 1;
  if (session->phase != PHASE_OPENING) return;
  if (session->openings < UINT8_MAX - 1) session->openings++;
  else session->openings--; /* odd and even go on taking turns */
  fdl_lose(session, 1, 0);
}

void fdl_timeout(fardel_peer *peer) {
  fardel_session *session = &peer->session;
  if (session->number - (session->token >> 16) > NUMBER_MAX) {
    fdl_end_session(peer, FARDEL_PEER_RESTARTED);
    return;
  }
  for (int timer = T_PROBE; timer < TIMERS; timer++) {
    if (!fdl_is_over(peer, timer)) continue;
    switch (timer) {
      case T_PROBE:
        probe(session);
        break;
      case T_SILENCE:
      case T_ABANDON:
        if (timer == T_ABANDON &&
            !(session->phase == PHASE_OPEN ? fdl_holds_part(session) : peer->queue != NULL)) {
          /* What it waited for has come, or was of an unacknowledged message. */
          fdl_break_loose(peer);
          fdl_disarm(session, timer);
          break;
        }
        if (fdl_end_unless_busy(peer, FARDEL_UNREACHABLE)) return;
        fdl_arm(peer, timer, UNREACHABLE_US);
        break;
      default:
        fdl_disarm(session, timer);
        session->is_probe_due = 1;
    }
  }
}
