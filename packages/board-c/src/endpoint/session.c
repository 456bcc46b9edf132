/* Sessions: how they open, who is believed, how they end; PROTOCOL.md, sections 2.3, 4 and 10. */
#include "../checksum.h"
#include "internal.h"

#define CONFIRM_US 1000000u
/** Beyond the greatest number received, a short one may lie so far ahead. */
#define AHEAD_MAX 1024
#define REPLAY_WINDOW 64
/** Datagrams in a row that the neighbour did not take; then sending waits for the probe timer. */
#define NOT_ACKNOWLEDGED_MAX 3
/** A session ends before its numbers would be used again. */
#define NUMBER_MAX 0xFFFFFFF0u

static uint32_t draw_token(fardel_endpoint *endpoint) {
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

static int has_ended(const fardel_peer *peer, uint32_t token) {
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
static void forget_peer_token(fardel_peer *peer) {
  fardel_session *session = &peer->session;
  fdl_rx_close(peer);
  session->peer_token = 0;
  session->token_since = session->number;
  session->mtu = peer->endpoint->config->mtu_bytes;
  session->phase = PHASE_OPENING;
  session->is_awaiting = 0;
  fdl_disarm(session, T_PROBE);
  fdl_disarm(session, T_ACK);
  fdl_disarm(session, T_QUIET);
  forget_received(session);
  fdl_lose(session, 1, 0);
}

static void adopt(fardel_peer *peer, uint32_t token) {
  fardel_session *session = &peer->session;
  if (session->peer_token) {
    remember_ended(peer, session->peer_token);
    forget_peer_token(peer);
  } else if (session->token_since != session->number) {
    session->openings_from = session->token_since;
    session->openings_to = session->number;
  }
  session->peer_token = token;
  session->token_since = session->number;

  session->phase = PHASE_ANSWERING;
  forget_received(session);

  fdl_rx_open(session);
  /* A token belongs to one session only, or its messages could come twice. */
  if (peer->candidate_peer_token == token) peer->candidate_token = 0;
}

static void create(fardel_peer *peer, uint32_t token, uint32_t number) {
  fardel_session *session = &peer->session;
  memset(session, 0, sizeof *session);
  session->token = token;
  session->number = session->token_since = number;
  session->mtu = peer->endpoint->config->mtu_bytes;
  session->phase = PHASE_OPENING;
  peer->heard_us = peer->endpoint->now_us;
  fdl_tx_open(session);
}

static void hello(fardel_peer *peer, uint16_t mtu, uint8_t window) {
  fardel_session *session = &peer->session;
  if (session->peer_window) return;
  session->peer_window = window;
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

/* The candidate becomes the session: with its tokens, and the one datagram that was received under them. */
static void promote(fardel_peer *peer) {
  create(peer, peer->candidate_token, peer->candidate_number);
  peer->candidate_token = 0;
  adopt(peer, peer->candidate_peer_token);
  peer->session.token_since = peer->session.token >> 16;
  peer->session.highest = peer->candidate_seen;
  peer->session.seen[0] = 1;
  /* Its HELLO will not come again. */
  if (peer->candidate_window) hello(peer, peer->candidate_mtu, peer->candidate_window);
}

void fdl_open_session(fardel_peer *peer) {
  if (peer->candidate_token) {
    promote(peer);
  } else {
    uint32_t token = draw_token(peer->endpoint);
    create(peer, token, token >> 16);
  }
}

/* Whether a message goes on in the next session. */
static int goes_on(const fardel_message *message) {
  if (message->kind == FARDEL_REPLY || message->kind == FARDEL_FAILURE) return 0;
  if (message->channel < 6 && message->state & M_OVERTAKEN) return 0;
  return message->channel >= FARDEL_LOOSE || !(message->state & M_CUT) ||
         message->options & FARDEL_RESEND;
}

void fdl_end_session(fardel_peer *peer, int result) {
  fardel_session *session = &peer->session;
  const fardel_config *config = peer->endpoint->config;
  fdl_rx_close(peer);
  remember_ended(peer, session->peer_token);
  int was_open = session->phase == PHASE_OPEN;
  memset(session, 0, sizeof *session);
  if (was_open && config->session) config->session(config->context, peer->address, FARDEL_ENDED, result);
  /* Those that callbacks send from now on come behind the ones that are here. */
  fardel_message *last = peer->queue;
  while (last && last->next) last = last->next;
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
static int end_unless_busy(fardel_peer *peer, int result) {
  if (fdl_is_busy(&peer->session)) return 0;
  if (result != FARDEL_UNREACHABLE) {
    /* The peer has forgotten it: what waits may pass gaps, and may make the application busy. */
    fdl_rx_flush(peer);
    if (fdl_is_busy(&peer->session)) return 0;
  }
  fdl_end_session(peer, result);
  return 1;
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

/* The number nearest to the highest one that has these low bits. */
static int complete_number(const fardel_session *session, uint16_t low, uint32_t *number) {
  uint16_t forward = (uint16_t)(low - session->highest);
  *number = session->highest + forward;
  if (forward <= AHEAD_MAX) return 1;
  *number -= 0x10000;
  return forward >= 0x10000 - (REPLAY_WINDOW - 1);
}

static void verify(fardel_peer *peer) {
  fardel_session *session = &peer->session;
  const fardel_config *config = peer->endpoint->config;
  session->phase = PHASE_OPEN;
  peer->is_known = 1;
  if (session->is_opener) {
    /* An opening that carried a request is confirmed at once. */
    int has_request = session->tx[14].next != (uint16_t)session->token ||
                      session->tx[15].next != (uint16_t)session->token;
    fdl_arm(session, T_CONFIRM, peer->endpoint->now_us + (has_request ? 0 : CONFIRM_US));
  }
  if (config->session) config->session(config->context, peer->address, FARDEL_OPENED, 0);
}

/* Frames of a datagram of the session, in their order; acks come last. */
static void handle_frames(fardel_peer *peer, const uint8_t *at,
                          const uint8_t *end, uint32_t number, int is_opening) {
  fardel_session *session = &peer->session;
  const uint8_t *start = at;
  int has_acks = 0;
  uint32_t token = session->token;
  fdl_frame frame;
  while (fdl_read_frame(&frame, &at, end) > 0) {
    switch (frame.type) {
      case TYPE_HELLO:
        hello(peer, frame.number, frame.value);
        break;
      case TYPE_DATA:
        fdl_data(peer, &frame);
        break;
      case TYPE_LOOSE:
        fdl_loose(peer, &frame);
        break;
      case TYPE_SKIP:
        if (is_opening) break;
        session->rx_used |= (uint16_t)(1u << frame.channel);
        session->rx[frame.channel].news = 2;
        fdl_skip(peer, frame.channel, frame.number, SKIP_DELIVER);
        break;
      case TYPE_STOP:
        if (!is_opening) fdl_stop(peer, &frame);
        break;
      case TYPE_ACK:
        has_acks = !is_opening;
        break;
      case TYPE_CLOSE:
        if (!is_opening) end_unless_busy(peer, FARDEL_PEER_CLOSED);
        break;
    }
    if (session->token != token) return;
  }
  if (has_acks && fdl_acks(peer, start, end, number) < 0)
    end_unless_busy(peer, FARDEL_PEER_RESTARTED);
}

static int elicits(const uint8_t *at, const uint8_t *end) {
  fdl_frame frame;
  while (fdl_read_frame(&frame, &at, end) > 0)
    if (frame.type == TYPE_DATA || frame.type == TYPE_SKIP) return 1;
  return 0;
}

/* A datagram of the session, with a good CRC. */
static void take(fardel_peer *peer, const uint8_t *datagram, uint16_t bytes,
                 uint8_t head_bytes, uint32_t number, int is_opening) {
  fardel_session *session = &peer->session;
  const uint8_t *at = datagram + head_bytes;
  const uint8_t *end = datagram + bytes - CRC_BYTES;
  uint32_t highest = session->highest;
  uint32_t seen = session->seen[0] | session->seen[1];
  if (!take_number(session, number)) return;
  int is_echo = !is_opening;
  if (is_echo && session->phase != PHASE_OPEN) verify(peer);
  peer->heard_us = peer->endpoint->now_us;
  session->credit_bytes += bytes;
  session->credit_datagrams++;
  session->not_acknowledged = 0;
  session->probes = 0;
  if (session->is_awaiting) fdl_arm(session, T_SILENCE, peer->endpoint->now_us + UNREACHABLE_US);
  if (head_bytes == SHORT_HEAD_BYTES) fdl_disarm(session, T_CONFIRM);
  uint32_t now_highest = session->highest;
  int does_elicit = elicits(at, end);
  uint8_t ask = datagram[0] & HEAD_ASK;
  if (seen) session->highest = highest; /* as it was, to see what is consecutive */
  fdl_note_arrival(peer, number, ask, does_elicit);
  session->highest = now_highest;
  if (ask == ASK_NOW && !does_elicit) fdl_mention_all(session);
  uint32_t token = session->token;
  handle_frames(peer, at, end, number, is_opening);
  if (session->token != token) return;
  uint32_t wait = 0;
  if (session->has_loose) wait = LOOSE_US;
  if (fdl_holds_part(session)) wait = 2 * UNREACHABLE_US;
  fdl_disarm(session, T_ABANDON);
  if (wait) fdl_arm(session, T_ABANDON, peer->endpoint->now_us + wait);
}

static void receive_short(fardel_peer *peer, const uint8_t *datagram,
                          uint16_t bytes) {
  fardel_session *session = &peer->session;
  uint32_t number;
  uint16_t low = fdl_get_u16(datagram + 1);
  if (session->phase >= PHASE_ANSWERING && complete_number(session, low, &number) &&
      fdl_datagram_crc(datagram, bytes, session->token, session->peer_token, number) ==
          FARDEL_CRC16_GOOD) {
    if (fdl_check_frames(datagram + SHORT_HEAD_BYTES, datagram + bytes - CRC_BYTES) == 1)
      take(peer, datagram, bytes, SHORT_HEAD_BYTES, number, 0);
    return;
  }
  /* The candidate's first echo: the old session is over. */
  if (!peer->candidate_token) return;
  number = peer->candidate_seen + (uint16_t)(low - peer->candidate_seen);
  if (number - peer->candidate_seen > AHEAD_MAX ||
      fdl_datagram_crc(datagram, bytes, peer->candidate_token, peer->candidate_peer_token, number) !=
          FARDEL_CRC16_GOOD ||
      fdl_check_frames(datagram + SHORT_HEAD_BYTES, datagram + bytes - CRC_BYTES) != 1)
    return;
  if (session->phase != PHASE_NONE && !end_unless_busy(peer, FARDEL_PEER_RESTARTED)) return;
  promote(peer);
  take(peer, datagram, bytes, SHORT_HEAD_BYTES, number, 0);
}

static uint32_t receive_opening(fardel_peer *peer, const uint8_t *datagram,
                                uint16_t bytes, uint32_t from, uint32_t number) {
  fardel_session *session = &peer->session;
  /* A stale copy, and the answer is ignored; or a peer that has not heard that we ended the session. */
  if (has_ended(peer, from)) return from;
  int is_known = peer->candidate_token && peer->candidate_peer_token == from;
  if (session->phase == PHASE_NONE) {
    if (is_known) {
      promote(peer);
    } else {
      uint32_t token = draw_token(peer->endpoint);
      create(peer, token, token >> 16);
    }
  }
  if (session->peer_token == 0 && !is_known) adopt(peer, from);
  if (session->peer_token == from) {
    take(peer, datagram, bytes, LONG_HEAD_BYTES, number, 1);
    return 0;
  }
  if (!is_known) {
    peer->candidate_token = draw_token(peer->endpoint);
    peer->candidate_peer_token = from;
    peer->candidate_number = peer->candidate_token >> 16;
    peer->candidate_seen = number;
  } else if ((int32_t)(number - peer->candidate_seen) <= 0) {
    return 0;
  }
  peer->candidate_seen = number;
  peer->candidate_bytes = bytes;
  const uint8_t *at = datagram + LONG_HEAD_BYTES;
  fdl_frame frame;
  int is_hello = fdl_read_frame(&frame, &at, datagram + bytes - CRC_BYTES) > 0 &&
                 frame.type == TYPE_HELLO;
  peer->candidate_mtu = is_hello ? frame.number : 0;
  peer->candidate_window = is_hello ? frame.value : 0;
  return 0;
}

/* Both tokens are named: it must be our session, or the candidate's first echo. */
static uint32_t receive_long(fardel_peer *peer, const uint8_t *datagram,
                             uint16_t bytes, uint32_t from, uint32_t to, uint32_t number) {
  fardel_session *session = &peer->session;
  if (peer->candidate_token == to && to != session->token) {
    if (peer->candidate_peer_token != from) return 0;
    if (session->phase != PHASE_NONE && !end_unless_busy(peer, FARDEL_PEER_RESTARTED))
      return 0;
    promote(peer);
  }
  if (session->phase == PHASE_NONE || session->token != to) return from;
  if (session->phase != PHASE_OPEN && session->peer_token != from) {
    /* Before it has named ours, a token is only somebody's claim. */
    if (has_ended(peer, from)) {
      fdl_end_session(peer, FARDEL_PEER_RESTARTED);
      return from;
    }
    adopt(peer, from);
  }
  if (session->peer_token == from)
    take(peer, datagram, bytes, LONG_HEAD_BYTES, number, 0);
  else if (bytes >= NO_SESSION_BYTES)
    session->is_suspect = session->is_probe_due = 1;
  return 0;
}

static void receive_no_session(fardel_peer *peer, uint32_t to,
                               uint32_t number) {
  fardel_session *session = &peer->session;
  if (session->phase == PHASE_NONE || session->token != to) return;
  int is_ours = session->phase != PHASE_OPEN && number - session->openings_from <
                                                    session->openings_to - session->openings_from;
  if (!is_ours) {
    if (number - session->token_since >= session->number - session->token_since) return;
    is_ours = session->phase == PHASE_OPEN || !(session->is_opener) || !session->peer_token;
  }
  if (is_ours) {
    end_unless_busy(peer, FARDEL_PEER_RESTARTED);
    return;
  }
  remember_ended(peer, session->peer_token);
  forget_peer_token(peer);
}

uint32_t fdl_receive(fardel_peer *peer, const uint8_t *datagram,
                     uint16_t bytes) {
  peer->datagrams_received++;
  if (!(datagram[0] & HEAD_LONG_BIT)) {
    receive_short(peer, datagram, bytes);
    return 0;
  }
  uint32_t from = fdl_get_u32(datagram + 1);
  uint32_t to = fdl_get_u32(datagram + 5);
  uint32_t number = fdl_get_u32(datagram + 9);
  if (from == 0) receive_no_session(peer, to, number);
  else if (to == 0) return receive_opening(peer, datagram, bytes, from, number);
  else return receive_long(peer, datagram, bytes, from, to, number);
  return 0;
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
    fdl_arm(session, T_PROBE, peer->endpoint->now_us + fdl_interval(peer, session->probes));
  }
  if (outcome == FARDEL_LEFT || outcome == FARDEL_ACKNOWLEDGED) {
    session->not_acknowledged = 0;
    return;
  }
  if (outcome == FARDEL_NOT_ACKNOWLEDGED && ++session->not_acknowledged > NOT_ACKNOWLEDGED_MAX) return;
  fdl_lose(session, 0, number);
  fdl_note_windows(peer);
  if (is_asked && session->phase != PHASE_OPENING) {
    session->is_awaiting = 0;
    session->needs_ask = 1;
    fdl_disarm(session, T_PROBE);
  } else if (is_asked && outcome == FARDEL_NOT_SENT) {
    fdl_arm(session, T_PROBE, peer->endpoint->now_us + fdl_interval(peer, session->probes));
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
  uint32_t now = peer->endpoint->now_us;
  if (session->number - (session->token >> 16) > NUMBER_MAX) {
    fdl_end_session(peer, FARDEL_PEER_RESTARTED);
    return;
  }
  for (int timer = T_PROBE; timer < TIMERS; timer++) {
    if (!fdl_is_over(session, timer, now)) continue;
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
        if (end_unless_busy(peer, FARDEL_UNREACHABLE)) return;
        fdl_arm(session, timer, now + UNREACHABLE_US);
        break;
      default:
        fdl_disarm(session, timer);
        session->is_probe_due = 1;
    }
  }
}
