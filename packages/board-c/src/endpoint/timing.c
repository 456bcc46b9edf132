/* When to ask again, when to answer; PROTOCOL.md, sections 6, 7.1, 7.4 and 8. */
#include "internal.h"

/** Spacing assumed until two consecutive datagrams have shown it, microseconds. */
#define SPACING_US_FIRST 5000u
/** Two datagrams further apart than this do not belong to one burst, microseconds. */
#define BURST_GAP_US 1000000u
#define QUIET_US 25000u
/** A link that says "left" faster than this does not wait for its medium. */
#define TELLING_SEND_US_MIN 300u
#define SAMPLES_LEFT_OUT_MAX 32

void fdl_arm(fardel_peer *peer, int timer, uint32_t wait_us) {
  fardel_session *session = &peer->session;
  session->at[timer] = peer->endpoint->now_us + wait_us;
  session->armed |= (uint8_t)(1u << timer);
}

void fdl_disarm(fardel_session *session, int timer) {
  session->armed &= (uint8_t)~(1u << timer);
}

int fdl_is_armed(const fardel_session *session, int timer) { return session->armed >> timer & 1; }

int fdl_is_over(const fardel_peer *peer, int timer) {
  const fardel_session *session = &peer->session;
  return fdl_is_armed(session, timer) && is_due(session->at[timer], peer->endpoint->now_us);
}

uint32_t fdl_interval(const fardel_peer *peer, uint8_t count) {
  const fardel_session *session = &peer->session;
  uint32_t base = RETRY_US_FIRST;
  uint8_t late = count > 3 ? (uint8_t)(count - 3) : 0;
  if (session->is_measured) {
    uint32_t variation = 4 * session->variation_us;
    base = session->round_trip_us + (variation > GRANULARITY_US ? variation : GRANULARITY_US);
    late >>= 1;
  } else {
    uint32_t send_us = session->left_us - session->handed_us;
    uint32_t guess = 3 * peer->endpoint->round_trip_us;
    if (!guess && session->has_left && send_us >= TELLING_SEND_US_MIN && send_us < RETRY_US_FIRST)
      guess = send_us * 5 / 2;
    else if (!guess)
      guess = RETRY_US_FIRST;
    if (guess > RETRY_US_FIRST && !peer->endpoint->round_trip_us) guess = RETRY_US_FIRST;
    base = guess < RETRY_US_MIN ? RETRY_US_MIN : guess;
  }
  while (late-- > 0 && base < RETRY_US_MAX) base *= 2;
  if (base > RETRY_US_MAX) base = RETRY_US_MAX;
  /* Two that fell silent at the same moment must not ask in step for ever. */
  return count > 0 ? base + (base >> 11) * session->jitter : base;
}

void fdl_asked(fardel_peer *peer) {
  fardel_session *session = &peer->session;
  uint32_t number = session->number;
  if (!(session->is_awaiting)) fdl_arm(peer, T_SILENCE, UNREACHABLE_US);
  session->asked = number;
  session->handed_us = peer->endpoint->now_us;
  session->is_awaiting = 1;
  if (!session->is_sampling) {
    session->is_sampling = 1;
    session->sampled = number;
    session->sampled_us = session->handed_us;
  }
  session->has_left = 0;
  session->needs_ask = 0;
  session->is_probe_due = 0;
  session->is_suspect = 0;
  session->since_ask = 0;
  fdl_disarm(session, T_PROBE);
  fdl_disarm(session, T_WINDOW);
}

void fdl_sample(fardel_peer *peer, uint32_t largest) {
  fardel_session *session = &peer->session;
  if (!session->is_sampling || (int32_t)(largest - session->sampled) < 0) return;
  session->is_sampling = 0;
  if (largest != session->sampled) return;
  uint32_t sample = peer->endpoint->now_us - session->sampled_us;
  if (sample == 0) sample = 1;
  if (session->is_measured) {
    /* Our own later datagrams hold up the ack on a half-duplex link. */
    int is_clean = largest == session->number - 1;
    if (!is_clean && sample > 2 * session->round_trip_us &&
        ++session->samples_left_out < SAMPLES_LEFT_OUT_MAX)
      return;
    uint32_t mean = session->round_trip_us;
    uint32_t off = sample > mean ? sample - mean : mean - sample;
    session->variation_us = session->variation_us - session->variation_us / 4 + off / 4;
    session->round_trip_us = mean - mean / 8 + sample / 8;
  } else {
    session->round_trip_us = sample;
    session->variation_us = sample / 2;
    session->is_measured = 1;
  }
  session->samples_left_out = 0;
  peer->endpoint->round_trip_us = session->round_trip_us;
}

void fdl_note_arrival(fardel_peer *peer, const fdl_incoming *in, int32_t forward) {
  fardel_session *session = &peer->session;
  uint8_t ask = in->bytes[0] & HEAD_ASK;
  uint32_t now = peer->endpoint->now_us;
  uint32_t since = now - session->arrived_us;
  if (!session->spacing_us) session->spacing_us = SPACING_US_FIRST;
  if (session->is_burst && forward == 1 && since < BURST_GAP_US)
    session->spacing_us = session->spacing_us - session->spacing_us / 4 + since / 4;
  if (forward >= 0) session->arrived_us = now;
  session->is_burst = 1;
  if (ask == ASK_NOW) {
    session->is_burst = 0;
    session->is_prompt = 1;
    session->prompt = in->number;
    fdl_arm(peer, T_ACK, 0);
    if (!in->elicits) fdl_mention_all(session);
  } else if (ask != ASK_NONE) {
    uint32_t spacing = session->spacing_us;
    fdl_arm(peer, T_ACK, (ask == ASK_NEXT ? spacing : 2 * spacing) + spacing / 8);
  } else if (in->elicits) {
    fdl_arm(peer, T_QUIET, QUIET_US);
  }
}

void fdl_note_windows(fardel_peer *peer) {
  fardel_session *session = &peer->session;
  fdl_uncut(session);
  if (!fdl_is_blocked(peer)) {
    session->window_probes = 0;
    fdl_disarm(session, T_WINDOW);
  } else if (!(session->is_awaiting) && !fdl_is_armed(session, T_WINDOW)) {
    uint32_t interval = fdl_interval(peer, session->window_probes);
    fdl_arm(peer, T_WINDOW, interval);
    if (session->window_probes < 60) session->window_probes = (uint8_t)(session->window_probes + 2);
  }
}
