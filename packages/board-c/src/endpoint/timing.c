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

uint32_t fdl_interval(const fardel_endpoint *endpoint, const fardel_session *session, uint8_t count) {
  uint32_t base = RETRY_US_FIRST;
  uint8_t late = count > 3 ? (uint8_t)(count - 3) : 0;
  if (session->flags & F_MEASURED) {
    uint32_t variation = 4 * session->variation_us;
    base = session->round_trip_us + (variation > GRANULARITY_US ? variation : GRANULARITY_US);
    late >>= 1;
  } else {
    uint32_t send_us = session->left_us - session->handed_us;
    uint32_t guess = 3 * endpoint->round_trip_us;
    if (!guess && session->flags & F_LEFT && send_us >= TELLING_SEND_US_MIN && send_us < RETRY_US_FIRST)
      guess = send_us * 5 / 2;
    else if (!guess)
      guess = RETRY_US_FIRST;
    if (guess > RETRY_US_FIRST && !endpoint->round_trip_us) guess = RETRY_US_FIRST;
    base = guess < RETRY_US_MIN ? RETRY_US_MIN : guess;
  }
  while (late-- > 0 && base < RETRY_US_MAX) base *= 2;
  if (base > RETRY_US_MAX) base = RETRY_US_MAX;
  /* Two that fell silent at the same moment must not ask in step for ever. */
  return count > 0 ? base + (base >> 11) * session->jitter : base;
}

void fdl_asked(fardel_endpoint *endpoint, fardel_session *session, uint32_t number) {
  if (!(session->flags & F_AWAITING)) arm(session, T_SILENCE, endpoint->now_us + UNREACHABLE_US);
  session->asked = number;
  session->handed_us = endpoint->now_us;
  session->flags |= F_AWAITING | F_SAMPLING;
  session->flags &= (uint16_t)~(F_LEFT | F_NEEDS_ASK | F_PROBE_DUE | F_SUSPECT);
  session->since_ask = 0;
  disarm(session, T_PROBE);
  disarm(session, T_WINDOW);
}

void fdl_sample(fardel_endpoint *endpoint, fardel_session *session, uint32_t largest) {
  if (!(session->flags & F_SAMPLING) || session->asked != largest) return;
  session->flags &= (uint16_t)~F_SAMPLING;
  uint32_t from = session->flags & F_LEFT ? session->left_us : session->handed_us;
  uint32_t sample = endpoint->now_us - from;
  if (sample == 0) sample = 1;
  if (session->flags & F_MEASURED) {
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
    session->flags |= F_MEASURED;
  }
  session->samples_left_out = 0;
  endpoint->round_trip_us = session->round_trip_us;
}

void fdl_note_arrival(fardel_endpoint *endpoint, fardel_session *session, uint32_t number, uint8_t ask,
                      int elicits) {
  uint32_t now = endpoint->now_us;
  uint32_t since = now - session->arrived_us;
  if (!session->spacing_us) session->spacing_us = SPACING_US_FIRST;
  if (session->flags & F_BURST && number == session->highest + 1 && since < BURST_GAP_US)
    session->spacing_us = session->spacing_us - session->spacing_us / 4 + since / 4;
  if ((int32_t)(number - session->highest) >= 0) session->arrived_us = now;
  session->flags |= F_BURST;
  if (ask == ASK_NOW) {
    session->flags &= (uint16_t)~F_BURST;
    session->flags |= F_PROMPT;
    session->prompt = number;
    arm(session, T_ACK, now);
  } else if (ask != ASK_NONE) {
    uint32_t spacing = session->spacing_us;
    arm(session, T_ACK, now + (ask == ASK_NEXT ? spacing : 2 * spacing) + spacing / 8);
  } else if (elicits) {
    arm(session, T_QUIET, now + QUIET_US);
  }
}

void fdl_note_windows(fardel_endpoint *endpoint, fardel_peer *peer) {
  fardel_session *session = &peer->session;
  fdl_uncut(session);
  if (!fdl_is_blocked(peer)) {
    session->window_probes = 0;
    disarm(session, T_WINDOW);
  } else if (!(session->flags & F_AWAITING) && !is_armed(session, T_WINDOW)) {
    uint32_t interval = fdl_interval(endpoint, session, session->window_probes);
    arm(session, T_WINDOW, endpoint->now_us + interval);
    if (session->window_probes < 60) session->window_probes = (uint8_t)(session->window_probes + 2);
  }
}
