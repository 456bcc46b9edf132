/* What an application calls, but for time and the link. */
#include "internal.h"

#ifdef FARDEL_ONE_PEER
#define PEERS_MAX 1
#else
#define PEERS_MAX 254
#endif

static int is_possible(const fardel_config *config) {
  return config->mtu_bytes >= FARDEL_MTU_MIN && config->mtu_bytes <= FARDEL_MTU_MAX &&
         config->peers >= 1 && config->peers <= PEERS_MAX && config->window >= 1 &&
         config->window <= FARDEL_WINDOW_MAX && config->buffers < UINT8_MAX &&
         config->link_depth >= 1 && config->link_depth <= FARDEL_LINK_DEPTH_MAX &&
         config->transmit && config->random && config->receive && config->ended &&
         fdl_can_protect(config);
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

int fardel_send(fardel_endpoint *endpoint, const uint8_t *address, fardel_message *message,
                uint32_t now_us) {
  uint8_t channel = message->channel;
  int is_request = channel == 14 || channel == 15;
  if (message->state) return FARDEL_IN_USE;
  if (channel > FARDEL_LOOSE + 3 || message->priority > FARDEL_URGENT ||
      message->kind > FARDEL_FAILURE || (message->kind != FARDEL_MESSAGE) != is_request ||
      message->deadline_us > INT32_MAX || (message->length && !message->bytes && !message->read))
    return FARDEL_INVALID;
  fardel_peer *peer = fdl_find_peer(endpoint, address);
  if (fdl_is_revoked(endpoint, address)) return FARDEL_PEER_REVOKED;
  uint16_t mtu = fdl_mtu_for(endpoint, address);
  if (peer && peer->session.phase != PHASE_NONE) mtu = peer->session.mtu;
  if (fdl_is_too_large(message, mtu)) return FARDEL_TOO_LARGE;
  if (!peer) peer = fdl_admit(endpoint, address);
  if (!peer) return FARDEL_NO_PEER;
  if (!fdl_is_answer(message)) peer->is_known = 1;
  fdl_rewind(message);
  message->times_damaged = 0;
  message->due_us = now_us + message->deadline_us;
  message->next = NULL;
  fardel_message **at = &peer->queue;
  for (; *at; at = &(*at)->next) {
    /* The next fardel_poll() ends older values: nothing ends here, within another one's end perhaps. */
    if (channel < 10 || channel >= 14 || (*at)->channel != channel) continue;
    (*at)->state |= M_REPLACED;
    (*at)->due_us = now_us;
  }
  *at = message;
  return FARDEL_OK;
}

void fardel_cancel(fardel_endpoint *endpoint, fardel_message *message, uint32_t now_us) {
  endpoint->now_us = now_us;
  for (uint8_t i = 0; i < peers_of(endpoint); i++) {
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
  fdl_frame frame;
  endpoint->now_us = now_us;
  for (uint8_t i = 0; i < peers_of(endpoint); i++) {
    fardel_peer *peer = &endpoint->peers[i];
    for (uint8_t channel = 0; peer->is_used && channel < FARDEL_CHANNELS; channel++) {
      fardel_rx *rx = &peer->session.rx[channel];
      if (!(rx->state & RX_BUSY)) continue;
      rx->state &= (uint8_t)~RX_BUSY;
      frame.channel = channel;
      fdl_drain(peer, &frame);
      /* The window has opened again: its sender is told. */
      if (rx->state & RX_BUSY) continue;
      if (!rx->news) rx->news = 1;
      fdl_arm(peer, T_ACK, 0);
    }
  }
}

void fardel_forget(fardel_endpoint *endpoint, const uint8_t *address, uint32_t now_us) {
  fardel_peer *peer = fdl_find_peer(endpoint, address);
  fardel_close(endpoint, address, now_us);
  if (peer) fdl_drop(peer);
}

void fardel_link(fardel_endpoint *endpoint, int is_up, uint32_t now_us) {
  endpoint->now_us = now_us;
  endpoint->is_down = !is_up;
  if (!is_up) return;
  /* Nobody could be heard while the link was down: silence counts from now. */
  for (uint8_t i = 0; i < peers_of(endpoint); i++) {
    fardel_peer *peer = &endpoint->peers[i];
    fardel_session *session = &peer->session;
    if (fdl_is_armed(session, T_ABANDON)) fdl_arm(peer, T_ABANDON, UNREACHABLE_US);
    if (!(session->is_awaiting)) continue;
    fdl_arm(peer, T_SILENCE, UNREACHABLE_US);
    fdl_arm(peer, T_PROBE, fdl_interval(peer, session->probes));
  }
}

int fardel_peer_at(const fardel_endpoint *endpoint, const uint8_t *address, fardel_peer_info *info) {
  const fardel_peer *peer = fdl_find_peer(endpoint, address);
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
