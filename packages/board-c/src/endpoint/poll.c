/* Time: what is due, and until when to wait. */
#include "internal.h"

/* Whether it ends at `due_us`, whatever comes. */
static int has_end(const fardel_message *message) {
  return message->deadline_us || message->state & M_REPLACED;
}

/* Once through those that are here: what callbacks send has its turn next time, or there might be no end. */
static void expire(fardel_peer *peer) {
  const fardel_message *last = fdl_last_of(peer);
  for (fardel_message *each = peer->queue; each;) {
    fardel_message *next = each == last ? NULL : each->next;
    if (has_end(each) && is_due(each->due_us, peer->endpoint->now_us)) {
      fdl_give_up(peer, each);
      fdl_end(peer, each, FARDEL_DEADLINE);
    }
    each = next;
  }
}

static void end_dropped(fardel_endpoint *endpoint) {
  fardel_message *each = endpoint->dropped;
  endpoint->dropped = NULL;
  while (each) {
    fardel_message *next = each->next;
    fdl_tell_end(endpoint, each, FARDEL_CANCELLED);
    each = next;
  }
}

/* What the application wants of this peer, and whether there is a session for it. */
static void note_wanted(fardel_peer *peer) {
  fardel_session *session = &peer->session;
  for (const fardel_message *each = peer->queue; each; each = each->next) {
    if (fdl_is_answer(each) && session->phase != PHASE_NONE) {
      /* The peer may never speak again, nor give us more bytes to say it. */
      if (session->phase == PHASE_ANSWERING && !fdl_is_armed(session, T_ABANDON))
        fdl_arm(peer, T_ABANDON, UNREACHABLE_US);
      continue;
    }
    if (session->phase == PHASE_NONE && fdl_is_revoked(peer->endpoint, peer->address)) {
      fdl_end_session(peer, FARDEL_PEER_REVOKED);
      return;
    }
    if (session->phase == PHASE_NONE) fdl_open_session(peer);
    if (session->phase != PHASE_OPEN) session->is_opener = 1;
    return;
  }
}

static void earlier(uint32_t *wait, uint32_t at, uint32_t now) {
  uint32_t until = is_due(at, now) ? 0 : at - now;
  if (until < *wait) *wait = until;
}

static uint32_t wait_of(const fardel_endpoint *endpoint) {
  uint32_t now = endpoint->now_us;
  uint32_t wait = FARDEL_NEVER;
  if (endpoint->dropped) wait = 0;
  if (endpoint->is_waiting) earlier(&wait, endpoint->wait_until_us, now);
  for (uint8_t i = 0; i < peers_of(endpoint); i++) {
    const fardel_peer *peer = &endpoint->peers[i];
    for (const fardel_message *each = peer->queue; each; each = each->next)
      if (has_end(each)) earlier(&wait, each->due_us, now);
    for (int timer = 0; timer < TIMERS && !endpoint->is_down; timer++) {
      if (!fdl_is_armed(&peer->session, timer)) continue;
      /* Acks that are due already wait for the link. */
      if (timer <= T_QUIET && is_due(peer->session.at[timer], now)) continue;
      earlier(&wait, peer->session.at[timer], now);
    }
  }
  return wait;
}

uint32_t fardel_poll(fardel_endpoint *endpoint, uint32_t now_us) {
  endpoint->now_us = now_us;
  if (endpoint->is_waiting && is_due(endpoint->wait_until_us, now_us)) endpoint->is_waiting = 0;
  end_dropped(endpoint);
  for (uint8_t i = 0; i < peers_of(endpoint); i++) {
    fardel_peer *peer = &endpoint->peers[i];
    if (!peer->is_used) continue;
    expire(peer);
    if (!endpoint->is_down && peer->session.phase != PHASE_NONE) fdl_timeout(peer);
    note_wanted(peer);
    /* Whatever has ended since, what a closed window holds back is asked about. */
    if (peer->session.phase == PHASE_OPEN) fdl_note_windows(peer);
  }
  fardel_ticket *ticket;
  while (!endpoint->is_down && !endpoint->is_waiting &&
         (ticket = fdl_free_ticket(endpoint)) != NULL)
    if (!fdl_transmit_next(endpoint, ticket)) break;
  return wait_of(endpoint);
}
