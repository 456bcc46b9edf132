/* Datagrams to the link, and what becomes of them; PROTOCOL.md, sections 7.3, 9 and 10. */
#include "internal.h"

#define REFUSED_WAIT_US 1000u
/** While peers have something to send, an answer without state goes after so many datagrams. */
#define ANSWER_EVERY 3
/** After so many acks or questions in a row a message goes first. */
#define ACKS_IN_A_ROW 3

static void take_outcome(fardel_endpoint *endpoint, fardel_ticket *ticket, int outcome) {
  fardel_peer *peer = ticket->peer ? &endpoint->peers[ticket->peer - 1] : NULL;
  fardel_message *loose = ticket->loose;
  ticket->is_used = 0;
  ticket->loose = NULL;
  if (outcome == FARDEL_NOT_SENT) {
    uint32_t wait = REFUSED_WAIT_US << (endpoint->refusals < 6 ? endpoint->refusals++ : 6);
    endpoint->wait_until_us = endpoint->now_us + wait;
    endpoint->is_waiting = 1;
  } else {
    endpoint->refusals = 0;
    endpoint->is_waiting = 0;
  }
  if (!peer || !peer->is_used) return;
  if (loose && outcome == FARDEL_NOT_SENT && loose->cut == 1) fdl_rewind(loose);
  else if (loose) fdl_end(peer, loose, FARDEL_SENT);
  if (ticket->token && ticket->token == peer->session.token)
    fdl_outcome(peer, ticket->number, outcome);
}

void fardel_outcome(fardel_endpoint *endpoint, uint8_t ticket, int outcome, uint32_t now_us) {
  endpoint->now_us = now_us;
  if (ticket < FARDEL_LINK_DEPTH_MAX && endpoint->tickets[ticket].is_used)
    take_outcome(endpoint, &endpoint->tickets[ticket], outcome);
}

fardel_ticket *fdl_free_ticket(fardel_endpoint *endpoint) {
  for (uint8_t i = 0; i < endpoint->config->link_depth; i++)
    if (!endpoint->tickets[i].is_used) return &endpoint->tickets[i];
  return NULL;
}

static void transmit(fardel_endpoint *endpoint, fardel_ticket *ticket, const uint8_t *address,
                     uint16_t bytes) {
  const fardel_config *config = endpoint->config;
  uint8_t place = (uint8_t)(ticket - endpoint->tickets);
  ticket->is_used = 1;
  int result = config->transmit(config->context, address, endpoint->datagram, bytes, place);
  if (result < 0) take_outcome(endpoint, ticket, FARDEL_NOT_SENT);
}

static int transmit_answer(fardel_endpoint *endpoint, fardel_ticket *ticket) {
  uint32_t token = endpoint->answer_token;
  if (!token) return 0;
  uint8_t *at = fdl_put_long_head(endpoint, 0, token, endpoint->answer_number);
  at = fdl_put_refused(endpoint, at);
  *at++ = TYPE_NO_SESSION;
  endpoint->answer_token = 0;
  ticket->peer = 0;
  uint16_t bytes = fdl_seal_answer(endpoint, at);
  if (is_sealed(bytes)) transmit(endpoint, ticket, endpoint->answer_address, bytes);
  return 1;
}

/* The peer that goes next: the highest priority, in turn. */
static fardel_peer *choose(fardel_endpoint *endpoint, int rank_max, int *rank) {
  fardel_peer *best = NULL;
  uint8_t peers = peers_of(endpoint);
  uint8_t place = endpoint->last_peer;
  *rank = -1;
  for (uint8_t i = 0; i < peers; i++) {
    place = (uint8_t)(place + 1 < peers ? place + 1 : 0);
    fardel_peer *each = &endpoint->peers[place];
    int its = each->is_used ? fdl_is_answer_due(each) ? 3 : fdl_rank(each) : -1;
    if (its > rank_max || its <= *rank) continue;
    *rank = its;
    best = each;
  }
  return best;
}

int fdl_transmit_next(fardel_endpoint *endpoint, fardel_ticket *ticket) {
  int rank = -1;
  fardel_peer *peer = NULL;
  if (endpoint->acks_in_a_row >= ACKS_IN_A_ROW) peer = choose(endpoint, 2, &rank);
  if (!peer) peer = choose(endpoint, 3, &rank);
  int answers_first = endpoint->since_answer >= ANSWER_EVERY;
  if ((answers_first || !peer) && transmit_answer(endpoint, ticket)) {
    endpoint->since_answer = 0;
    return 1;
  }
  if (!peer) return 0;
  fardel_message *loose = NULL;
  uint16_t bytes;
  ticket->number = peer->session.number;
  ticket->token = peer->session.token;
  if (fdl_is_answer_due(peer)) {
    ticket->token = 0;
    bytes = fdl_compose_answer(peer);
  } else {
    bytes = fdl_compose(peer, &loose);
  }
  endpoint->last_peer = place_of(peer);
  endpoint->acks_in_a_row = rank == 3 ? (uint8_t)(endpoint->acks_in_a_row + 1) : 0;
  if (endpoint->since_answer < ANSWER_EVERY) endpoint->since_answer++;
  if (!bytes) return 1;
  ticket->peer = (uint8_t)(place_of(peer) + 1);
  ticket->loose = loose;
  transmit(endpoint, ticket, peer->address, bytes);
  return 1;
}

void fardel_close(fardel_endpoint *endpoint, const uint8_t *address, uint32_t now_us) {
  endpoint->now_us = now_us;
  fardel_peer *peer = fdl_find_peer(endpoint, address);
  if (!peer) return;
  const fardel_session *session = &peer->session;
  fardel_ticket *ticket = fdl_free_ticket(endpoint);
  int is_told = session->phase == PHASE_OPEN && ticket && !endpoint->is_down;
  uint8_t *at = fdl_put_long_head(endpoint, session->token, session->peer_token, session->number);
  at = fdl_put_salt(endpoint, &session->guard, at);
  *at++ = TYPE_CLOSE;
  *at++ = 0;
  uint16_t bytes = SEAL(endpoint, &session->guard, session->peer_token, session->number, NULL, at);
  fdl_forget_candidate(peer);
  if (session->phase != PHASE_NONE || peer->queue) fdl_end_session(peer, FARDEL_CANCELLED);
  if (!is_told || !is_sealed(bytes)) return;
  ticket->peer = 0;
  transmit(endpoint, ticket, address, bytes);
}
