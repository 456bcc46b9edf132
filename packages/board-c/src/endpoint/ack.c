/* Acks that this side sends; PROTOCOL.md, sections 3.3, 3.4 and 6. */
#include "internal.h"

static uint8_t map_bytes(const fardel_rx *rx) {
  uint32_t map = rx->present >> 1;
  uint8_t bytes = 0;
  while (map) {
    bytes++;
    map >>= 8;
  }
  return bytes;
}

/* Fragments that would be taken now. */
static uint8_t window_of(const fardel_peer *peer, uint8_t channel) {
  const fardel_config *config = peer->endpoint->config;
  if (peer->session.rx[channel].state & RX_BUSY) return 0;
  uint8_t window = 1;
  uint8_t owner = (uint8_t)(place_of(peer) + 1);
  for (uint8_t i = 0; i < config->buffers; i++) {
    const fardel_buffer *each = &peer->endpoint->buffers[i];
    if (!each->peer || (each->peer == owner && (each->type & 0x0F) == channel)) window++;
  }
  return window < config->window ? window : config->window;
}

/* The channel to mention next: the newest news first, the rest in turn. */
static uint8_t next_channel(const fardel_session *session, uint16_t done) {
  uint8_t best = FARDEL_CHANNELS;
  for (uint8_t i = 0; i < FARDEL_CHANNELS; i++) {
    uint8_t channel = (uint8_t)((session->first_mention + i) % FARDEL_CHANNELS);
    uint8_t news = session->rx[channel].news;
    if (done >> channel & 1 || !news) continue;
    if (best == FARDEL_CHANNELS || news > session->rx[best].news) best = channel;
  }
  return best == FARDEL_CHANNELS && !done ? 0 : best;
}

void fdl_mention_all(fardel_session *session) {
  /* A round that is under way for want of room is finished first, or it would never be. */
  for (uint8_t i = 0; i < FARDEL_CHANNELS; i++)
    if (session->rx[i].news) return;
  session->first_mention = (uint8_t)((session->first_mention + 1) % FARDEL_CHANNELS);
  for (uint8_t i = 0; i < FARDEL_CHANNELS; i++) session->rx[i].news = session->rx_used >> i & 1;
}

uint16_t fdl_ack_bytes(const fardel_peer *peer) {
  const fardel_session *session = &peer->session;
  uint16_t bytes = session->stop_reason ? STOP_BYTES : 0;
  uint16_t done = 0;
  uint8_t channel;
  while ((channel = next_channel(session, done)) < FARDEL_CHANNELS) {
    bytes = (uint16_t)(bytes + ACK_BYTES + map_bytes(&session->rx[channel]));
    done |= (uint16_t)(1u << channel);
  }
  return bytes;
}

static uint8_t *put_ack(const fardel_peer *peer, uint8_t channel, uint8_t flags, uint8_t bytes,
                        uint8_t *at) {
  const fardel_session *session = &peer->session;
  const fardel_rx *rx = &session->rx[channel];
  uint32_t map = rx->present >> 1;
  *at++ = TYPE_ACK | channel;
  at = fdl_put_u16(fdl_put_u16(at, (uint16_t)session->highest), rx->next);
  *at++ = window_of(peer, channel);
  *at++ = flags | bytes;
  memset(at, 0, bytes);
  for (unsigned bit = 0; bit < bytes * 8u; bit++, map >>= 1)
    if (map & 1) at[bit >> 3] |= (uint8_t)(0x80 >> (bit & 7));
  return at + bytes;
}

uint8_t *fdl_write_acks(fardel_peer *peer, uint8_t *at, const uint8_t *end) {
  fardel_session *session = &peer->session;
  uint16_t done = 0;
  uint8_t *last = NULL;
  uint8_t channel;
  uint8_t prompt = session->is_prompt && session->prompt == session->highest ? ACK_PROMPT : 0;
  fdl_disarm(session, T_ACK);
  fdl_disarm(session, T_QUIET);
  session->is_prompt = 0;
  session->is_burst = 0;
  if (session->stop_reason && end - at >= STOP_BYTES + ACK_BYTES) {
    *at++ = TYPE_STOP | session->stop_channel;
    at = fdl_put_u16(at, session->stop_first);
    *at++ = session->stop_reason;
    session->stop_reason = 0;
  }
  while ((channel = next_channel(session, done)) < FARDEL_CHANNELS) {
    fardel_rx *rx = &session->rx[channel];
    uint8_t bytes = map_bytes(rx);
    int room = (int)(end - at) - ACK_BYTES;
    uint8_t flags = prompt;
    if (room < bytes) {
      /* Only the first map may be cut: the others wait until they fit. */
      if (last) {
        last[ACK_BYTES - 1] |= ACK_CUT;
        fdl_arm(peer, T_ACK, 0);
        break;
      }
      /* Beside HELLO there may be no room for a single one: then the peer asks again. */
      if (room < 0) break;
      bytes = (uint8_t)room;
      flags |= ACK_CUT;
    }
    last = at;
    at = put_ack(peer, channel, flags, bytes, at);
    if (rx->news) rx->news--;
    done |= (uint16_t)(1u << channel);
  }
  return at;
}
