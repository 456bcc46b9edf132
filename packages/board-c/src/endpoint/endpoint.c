/* The functions of fardel.h: peers, the link, time. */
#include "../checksum.h"
#include "internal.h"

#define REFUSED_WAIT_US 1000u
/** While peers have something to send, an answer without state goes after so many datagrams. */
#define ANSWER_EVERY 3
/** After so many acks or questions in a row a message goes first. */
#define ACKS_IN_A_ROW 3

static int is_possible(const fardel_config *config) {
  return config->mtu_bytes >= FARDEL_MTU_MIN && config->mtu_bytes <= FARDEL_MTU_MAX &&
         config->peers >= 1 && config->peers < UINT8_MAX && config->window >= 1 &&
         config->window <= FARDEL_WINDOW_MAX && config->buffers < UINT8_MAX &&
         config->link_depth >= 1 && config->link_depth <= FARDEL_LINK_DEPTH_MAX &&
         config->transmit && config->random && config->receive && config->ended;
}

size_t fardel_bytes(const fardel_config *config) {
  return is_possible(config) ? FARDEL_BYTES(config->mtu_bytes, config->peers, config->buffers) : 0;
}

int fardel_open(fardel_endpoint **endpoint, void *memory, size_t bytes, const fardel_config *config,
                uint32_t now_us) {
  size_t needed = fardel_bytes(config);
  if (!needed || !memory || (uintptr_t)memory % sizeof(void *)) return FARDEL_INVALID;
  if (bytes < needed) return FARDEL_NO_MEMORY;
  memset(memory, 0, needed);
  fardel_endpoint *opened = memory;
  opened->config = config;
  opened->now_us = now_us;
  opened->peers = (fardel_peer *)(opened + 1);
  opened->buffers = (fardel_buffer *)(opened->peers + config->peers);
  opened->buffer_bytes = (uint8_t *)(opened->buffers + config->buffers);
  opened->datagram =
      opened->buffer_bytes + (size_t)config->buffers * (config->mtu_bytes - FARDEL_AROUND_BYTES);
  *endpoint = opened;
  return FARDEL_OK;
}

static fardel_peer *find(const fardel_endpoint *endpoint, const uint8_t *address) {
  for (uint8_t i = 0; i < endpoint->config->peers; i++) {
    fardel_peer *each = &endpoint->peers[i];
    if (each->is_used && memcmp(each->address, address, FARDEL_ADDRESS_BYTES) == 0) return each;
  }
  return NULL;
}

/* Whether nothing is under way to it or from it. */
static int is_idle(const fardel_peer *peer) {
  return !peer->queue && !fdl_is_busy(&peer->session) && !fdl_holds_part(&peer->session);
}

static void forget(fardel_peer *peer) {
  if (peer->session.phase != PHASE_NONE || peer->queue)
    fdl_end_session(peer, FARDEL_CANCELLED);
  for (uint8_t i = 0; i < FARDEL_LINK_DEPTH_MAX; i++)
    if (peer->endpoint->tickets[i].peer == place_of(peer) + 1) peer->endpoint->tickets[i].token = 0;
  memset(peer, 0, sizeof *peer);
}

/* Room for a newcomer: strangers go first, then whoever was heard longest ago and has nothing to do. */
static fardel_peer *admit(fardel_endpoint *endpoint, const uint8_t *address) {
  fardel_peer *best = NULL;
  for (uint8_t i = 0; i < endpoint->config->peers; i++) {
    fardel_peer *each = &endpoint->peers[i];
    if (!each->is_used) {
      best = each;
      break;
    }
    if (each->is_known && !is_idle(each)) continue;
    int is_better = !best || each->is_known < best->is_known ||
                    (each->is_known == best->is_known && (int32_t)(each->turn - best->turn) < 0);
    if (is_better) best = each;
  }
  if (!best) return NULL;
  if (best->is_used) forget(best);
  best->endpoint = endpoint;
  best->is_used = 1;
  best->turn = ++endpoint->turn;
  memcpy(best->address, address, FARDEL_ADDRESS_BYTES);
  return best;
}

static void answer(fardel_endpoint *endpoint, const uint8_t *address, uint32_t token, uint32_t number,
                   uint16_t bytes) {
  /* One waits at most: who is not answered asks again. */
  if (!token || bytes < NO_SESSION_BYTES || endpoint->answer_token) return;
  endpoint->answer_token = token;
  endpoint->answer_number = number;
  memcpy(endpoint->answer_address, address, FARDEL_ADDRESS_BYTES);
}

void fardel_datagram(fardel_endpoint *endpoint, const uint8_t *address, const uint8_t *datagram,
                     uint16_t bytes, int8_t rssi_dbm, uint32_t now_us) {
  endpoint->now_us = now_us;
  /* Longer than what HELLO stated: taking it could contradict a fragment that was cut anew. */
  if (!fdl_is_datagram(datagram, bytes) || bytes > endpoint->config->mtu_bytes) return;
  fardel_peer *peer = find(endpoint, address);
  uint32_t number = 0;
  if (datagram[0] & HEAD_LONG_BIT) {
    uint32_t from = fdl_get_u32(datagram + 1);
    uint32_t to = fdl_get_u32(datagram + 5);
    number = fdl_get_u32(datagram + 9);
    /* Damage must not make us say that there is no session, nor remember a stranger. */
    if (fdl_datagram_crc(datagram, bytes, to, from, number) != FARDEL_CRC16_GOOD) return;
    int what = fdl_check_frames(datagram + LONG_HEAD_BYTES, datagram + bytes - CRC_BYTES);
    if (!what || (what == 2) != (from == 0)) return;
    if (!peer && from && to) answer(endpoint, address, from, number, bytes);
    if (!peer && from && !to) peer = admit(endpoint, address);
  }
  if (!peer) return;
  peer->turn = ++endpoint->turn;
  peer->rssi_dbm = rssi_dbm;
  answer(endpoint, address, fdl_receive(peer, datagram, bytes), number, bytes);
}

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

static fardel_ticket *free_ticket(fardel_endpoint *endpoint) {
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
  uint32_t number = endpoint->answer_number;
  if (!token) return 0;
  uint8_t *at = fdl_put_long_head(endpoint->datagram, 0, token, number);
  *at++ = TYPE_NO_SESSION;
  endpoint->answer_token = 0;
  ticket->peer = 0;
  transmit(endpoint, ticket, endpoint->answer_address, fdl_seal(endpoint, at, token, 0, number));
  return 1;
}

static int rank_of(const fardel_peer *peer) {
  return peer->candidate_token && peer->candidate_bytes ? 3 : fdl_rank(peer);
}

/* The peer that goes next: the highest priority, in turn. */
static fardel_peer *choose(fardel_endpoint *endpoint, int rank_max, int *rank) {
  fardel_peer *best = NULL;
  uint8_t peers = endpoint->config->peers;
  uint8_t place = endpoint->last_peer;
  *rank = -1;
  for (uint8_t i = 0; i < peers; i++) {
    place = (uint8_t)(place + 1 < peers ? place + 1 : 0);
    fardel_peer *each = &endpoint->peers[place];
    int its = each->is_used ? rank_of(each) : -1;
    if (its > rank_max || its <= *rank) continue;
    *rank = its;
    best = each;
  }
  return best;
}

/* @returns whether something went, or may go after all */
static int transmit_next(fardel_endpoint *endpoint, fardel_ticket *ticket) {
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
  if (peer->candidate_token && peer->candidate_bytes) {
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

/* @returns whether a message has ended, so that the queue must be looked at again */
static int expire_one(fardel_peer *peer) {
  for (fardel_message *each = peer->queue; each; each = each->next) {
    if (!each->deadline_us || !is_due(each->due_us, peer->endpoint->now_us)) continue;
    fdl_give_up(peer, each);
    fdl_end(peer, each, FARDEL_DEADLINE);
    return 1;
  }
  return 0;
}

static int is_answer(const fardel_message *message) {
  return message->kind == FARDEL_REPLY || message->kind == FARDEL_FAILURE;
}

/* What the application wants of this peer, and whether there is a session for it. */
static void note_wanted(fardel_peer *peer) {
  fardel_session *session = &peer->session;
  for (const fardel_message *each = peer->queue; each; each = each->next) {
    if (is_answer(each) && session->phase != PHASE_NONE) {
      /* The peer may never speak again, nor give us more bytes to say it. */
      if (session->phase == PHASE_ANSWERING && !fdl_is_armed(session, T_ABANDON))
        fdl_arm(session, T_ABANDON, peer->endpoint->now_us + UNREACHABLE_US);
      continue;
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
  if (endpoint->is_waiting) earlier(&wait, endpoint->wait_until_us, now);
  for (uint8_t i = 0; i < endpoint->config->peers; i++) {
    const fardel_peer *peer = &endpoint->peers[i];
    for (const fardel_message *each = peer->queue; each; each = each->next)
      if (each->deadline_us) earlier(&wait, each->due_us, now);
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
  for (uint8_t i = 0; i < endpoint->config->peers; i++) {
    fardel_peer *peer = &endpoint->peers[i];
    if (!peer->is_used) continue;
    while (expire_one(peer)) continue;
    if (!endpoint->is_down && peer->session.phase != PHASE_NONE) fdl_timeout(peer);
    note_wanted(peer);
    /* Whatever has ended since, what a closed window holds back is asked about. */
    if (peer->session.phase == PHASE_OPEN) fdl_note_windows(peer);
  }
  fardel_ticket *ticket;
  while (!endpoint->is_down && !endpoint->is_waiting && (ticket = free_ticket(endpoint)) != NULL)
    if (!transmit_next(endpoint, ticket)) break;
  return wait_of(endpoint);
}

int fardel_send(fardel_endpoint *endpoint, const uint8_t *address, fardel_message *message,
                uint32_t now_us) {
  uint8_t channel = message->channel;
  int is_request = channel == 14 || channel == 15;
  if (message->state) return FARDEL_IN_USE;
  if (channel > FARDEL_LOOSE + 3 || message->priority > FARDEL_URGENT ||
      message->kind > FARDEL_FAILURE || (message->kind != FARDEL_MESSAGE) != is_request ||
      message->deadline_us > INT32_MAX || (message->length && !message->bytes && !message->read))
    return FARDEL_INVALID;
  fardel_peer *peer = find(endpoint, address);
  uint16_t mtu = endpoint->config->mtu_bytes;
  if (peer && peer->session.phase != PHASE_NONE) mtu = peer->session.mtu;
  if (fdl_is_too_large(message, mtu)) return FARDEL_TOO_LARGE;
  if (!peer) peer = admit(endpoint, address);
  if (!peer) return FARDEL_NO_PEER;
  if (!is_answer(message)) peer->is_known = 1;
  fdl_rewind(message);
  message->times_damaged = 0;
  message->due_us = now_us + message->deadline_us;
  message->next = NULL;
  fardel_message **at = &peer->queue;
  while (*at) at = &(*at)->next;
  *at = message;
  if (channel < 10 || channel >= 14) return FARDEL_OK;
  /* A newer value: the older ones are void. */
  for (fardel_message *each = peer->queue; each != message;) {
    fardel_message *next = each->next;
    if (each->channel == channel) {
      fdl_give_up(peer, each);
      fdl_end(peer, each, FARDEL_REPLACED);
    }
    each = next;
  }
  return FARDEL_OK;
}

void fardel_cancel(fardel_endpoint *endpoint, fardel_message *message, uint32_t now_us) {
  endpoint->now_us = now_us;
  for (uint8_t i = 0; i < endpoint->config->peers; i++) {
    fardel_peer *peer = &endpoint->peers[i];
    for (fardel_message *each = peer->queue; each; each = each->next) {
      if (each != message) continue;
      fdl_give_up(peer, message);
      fdl_end(peer, message, FARDEL_CANCELLED);
      return;
    }
  }
}

void fardel_resume(fardel_endpoint *endpoint, uint32_t now_us) {
  endpoint->now_us = now_us;
  for (uint8_t i = 0; i < endpoint->config->peers; i++) {
    fardel_peer *peer = &endpoint->peers[i];
    for (uint8_t channel = 0; channel < FARDEL_CHANNELS; channel++) {
      fardel_rx *rx = &peer->session.rx[channel];
      if (!(rx->state & RX_BUSY)) continue;
      rx->state &= (uint8_t)~RX_BUSY;
      fdl_drain(peer, channel);
      /* The window has opened again: its sender is told. */
      if (rx->state & RX_BUSY) continue;
      if (!rx->news) rx->news = 1;
      fdl_arm(&peer->session, T_ACK, now_us);
    }
  }
}

void fardel_close(fardel_endpoint *endpoint, const uint8_t *address, uint32_t now_us) {
  endpoint->now_us = now_us;
  fardel_peer *peer = find(endpoint, address);
  if (!peer) return;
  fardel_session *session = &peer->session;
  fardel_ticket *ticket = free_ticket(endpoint);
  uint32_t token = session->token;
  uint32_t peer_token = session->peer_token;
  uint32_t number = session->number;
  int is_open = session->phase == PHASE_OPEN;
  peer->candidate_token = 0;
  if (session->phase != PHASE_NONE || peer->queue) fdl_end_session(peer, FARDEL_CANCELLED);
  if (!is_open || !ticket || endpoint->is_down) return;
  uint8_t *at = fdl_put_long_head(endpoint->datagram, token, peer_token, number);
  *at++ = TYPE_CLOSE;
  *at++ = 0;
  ticket->peer = 0;
  transmit(endpoint, ticket, address, fdl_seal(endpoint, at, peer_token, token, number));
}

void fardel_forget(fardel_endpoint *endpoint, const uint8_t *address, uint32_t now_us) {
  fardel_peer *peer = find(endpoint, address);
  fardel_close(endpoint, address, now_us);
  if (peer) forget(peer);
}

void fardel_link(fardel_endpoint *endpoint, int is_up, uint32_t now_us) {
  endpoint->now_us = now_us;
  endpoint->is_down = !is_up;
  if (!is_up) return;
  /* Nobody could be heard while the link was down: silence counts from now. */
  for (uint8_t i = 0; i < endpoint->config->peers; i++) {
    fardel_peer *peer = &endpoint->peers[i];
    fardel_session *session = &peer->session;
    if (fdl_is_armed(session, T_ABANDON)) fdl_arm(session, T_ABANDON, now_us + UNREACHABLE_US);
    if (!(session->is_awaiting)) continue;
    fdl_arm(session, T_SILENCE, now_us + UNREACHABLE_US);
    fdl_arm(session, T_PROBE, now_us + fdl_interval(peer, session->probes));
  }
}

int fardel_peer_at(const fardel_endpoint *endpoint, const uint8_t *address, fardel_peer_info *info) {
  const fardel_peer *peer = find(endpoint, address);
  if (!peer) return FARDEL_NO_PEER;
  info->round_trip_us = peer->session.round_trip_us;
  info->heard_us = peer->heard_us;
  info->datagrams_sent = peer->datagrams_sent;
  info->datagrams_received = peer->datagrams_received;
  info->repeated = peer->repeated;
  info->rssi_dbm = peer->rssi_dbm;
  info->is_open = peer->session.phase == PHASE_OPEN;
  return FARDEL_OK;
}
