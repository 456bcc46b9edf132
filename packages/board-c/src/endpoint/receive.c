/* The receiving side of a session: fragments to messages; PROTOCOL.md, sections 5.3, 5.4 and 8. */
#include "../checksum.h"
#include "internal.h"

#define REQUEST_CHANNEL 14
#define REQUEST_HEAD_BYTES 3
#define SKIP_DISTANCE_MAX 256

static int is_ordered(uint8_t channel) { return channel < 6; }
static int is_latest(uint8_t channel) { return channel >= 10 && channel < REQUEST_CHANNEL; }

void fdl_rx_open(fardel_session *session) {
  memset(session->rx, 0, sizeof session->rx);
  for (uint8_t i = 0; i < FARDEL_CHANNELS; i++) session->rx[i].next = (uint16_t)session->peer_token;
  session->rx_used = 0;
  session->stop_reason = 0;
}

int fdl_is_busy(const fardel_session *session) {
  for (uint8_t i = 0; i < FARDEL_CHANNELS; i++)
    if (session->rx[i].state & RX_BUSY) return 1;
  return 0;
}

int fdl_holds_part(const fardel_session *session) {
  for (uint8_t i = 0; i < FARDEL_CHANNELS; i++)
    if (session->rx[i].state & RX_UNDER_WAY || session->rx[i].present) return 1;
  return 0;
}

static uint8_t *bytes_of(const fardel_endpoint *endpoint, const fardel_buffer *buffer) {
  size_t each = (size_t)(endpoint->config->mtu_bytes - FARDEL_AROUND_BYTES);
  return endpoint->buffer_bytes + (size_t)(buffer - endpoint->buffers) * each;
}

static fardel_buffer *find_buffer(const fardel_peer *peer, uint8_t channel, uint16_t fragment) {
  const fardel_endpoint *endpoint = peer->endpoint;
  uint8_t owner = (uint8_t)(place_of(peer) + 1);
  fardel_buffer *each = endpoint->buffers;
  for (unsigned left = endpoint->config->buffers; left > 0; left--, each++)
    if (each->peer == owner && each->fragment == fragment && (each->type & 0x0F) == channel)
      return each;
  return NULL;
}

static fardel_buffer *free_buffer(const fardel_endpoint *endpoint) {
  fardel_buffer *each = endpoint->buffers;
  for (unsigned left = endpoint->config->buffers; left > 0; left--, each++)
    if (!each->peer) return each;
  return NULL;
}

static void read_buffer(const fardel_endpoint *endpoint, const fardel_buffer *buffer,
                        fdl_frame *frame) {
  frame->flags = buffer->type;
  frame->channel = buffer->type & 0x0F;
  frame->number = buffer->fragment;
  fdl_read_data_body(frame, bytes_of(endpoint, buffer), buffer->bytes);
}

static int tell(fardel_peer *peer, uint8_t channel, uint8_t part,
                uint32_t offset, uint32_t total, const fdl_frame *frame) {
  fardel_arrival arrival;
  memset(&arrival, 0, sizeof arrival);
  arrival.address = peer->address;
  arrival.channel = channel;
  arrival.part = part;
  arrival.offset = offset;
  arrival.total = total;
  if (frame) {
    arrival.bytes = frame->bytes;
    arrival.count = frame->count;
  }
  if (channel == REQUEST_CHANNEL || channel == REQUEST_CHANNEL + 1) {
    /* The head is in the first fragment: the application sees what comes behind it. */
    if (total) arrival.total -= REQUEST_HEAD_BYTES;
    if (part & FARDEL_FIRST) {
      if (arrival.count < REQUEST_HEAD_BYTES) return FARDEL_UNWANTED;
      arrival.kind = frame->bytes[0];
      arrival.id = fdl_get_u16(frame->bytes + 1);
      if (arrival.kind < FARDEL_REQUEST || arrival.kind > FARDEL_FAILURE) return FARDEL_UNWANTED;
      arrival.bytes += REQUEST_HEAD_BYTES;
      arrival.count = (uint16_t)(arrival.count - REQUEST_HEAD_BYTES);
    } else if (!(part & FARDEL_BROKEN)) {
      arrival.offset -= REQUEST_HEAD_BYTES;
    }
  }
  return peer->endpoint->config->receive(peer->endpoint->config->context, &arrival);
}

static void stop(fardel_session *session, uint8_t channel, uint16_t first, uint8_t reason) {
  session->stop_channel = channel;
  session->stop_first = first;
  session->stop_reason = reason;
}

static void break_message(fardel_peer *peer, uint8_t channel) {
  fardel_rx *rx = &peer->session.rx[channel];
  if (rx->state & RX_UNDER_WAY)
    tell(peer, channel, FARDEL_BROKEN, rx->offset, rx->total, NULL);
  rx->state &= (uint8_t)~RX_UNDER_WAY;
}

/* Nothing more of the message at `first` is taken. */
static int refuse(fardel_peer *peer, uint8_t channel, uint8_t reason) {
  fardel_rx *rx = &peer->session.rx[channel];
  if (reason != STOP_UNWANTED) break_message(peer, channel);
  rx->state = RX_REFUSING;
  rx->stop_reason = reason;
  stop(&peer->session, channel, rx->first, reason);
  return 0;
}

/* A single message, which needs no memory of its own. @returns what the application answers */
static int tell_single(fardel_peer *peer, const fdl_frame *frame) {
  return tell(peer, frame->channel, FARDEL_FIRST | FARDEL_LAST, 0, frame->count, frame);
}

/* The fragment whose turn it is. @returns whether it was taken; if not, nothing has changed but `state` */
static int take_turn(fardel_peer *peer, const fdl_frame *frame,
                     int was_waiting) {
  uint8_t channel = frame->channel;
  fardel_rx *rx = &peer->session.rx[channel];
  uint32_t max = peer->endpoint->config->message_bytes_max;
  uint8_t is_first = frame->flags & DATA_FIRST;
  uint8_t is_last = frame->flags & DATA_LAST;
  rx->state &= (uint8_t)~RX_BUSY;
  if (is_first) {
    /* Inside a message: damage that a CRC-16 has let pass. */
    break_message(peer, channel);
    rx->first = rx->next;
    rx->crc = 0;
    rx->offset = 0;
    rx->total = is_last ? frame->count : frame->total;
  } else if (!(rx->state & RX_UNDER_WAY)) {
    rx->first = rx->next;
    stop(&peer->session, channel, rx->first, STOP_DAMAGED);
    /* Acknowledged before, it will not come again, and nothing may wait for it. */
    return was_waiting ? 1 : refuse(peer, channel, STOP_DAMAGED);
  }
  uint32_t end = rx->offset + frame->count;
  if (max && (rx->total > max || end > max)) return refuse(peer, channel, STOP_TOO_LARGE);
  uint32_t crc = fardel_crc32(rx->crc, frame->bytes, frame->count);
  if (is_last && !is_first && (crc != frame->crc || (rx->total && rx->total != end)))
    return refuse(peer, channel, STOP_DAMAGED);
  if (rx->total && end > rx->total) return refuse(peer, channel, STOP_DAMAGED);
  uint8_t part = (uint8_t)((is_first ? FARDEL_FIRST : 0) | (is_last ? FARDEL_LAST : 0));
  int answer = tell(peer, channel, part, rx->offset, rx->total, frame);
  if (answer == FARDEL_BUSY) {
    rx->state |= RX_BUSY;
    return 0;
  }
  if (answer != FARDEL_TAKEN) return refuse(peer, channel, STOP_UNWANTED);
  rx->crc = crc;
  rx->offset = end;
  rx->state = is_last ? 0 : RX_UNDER_WAY;
  return 1;
}

static void advance(fardel_rx *rx) {
  rx->next++;
  rx->present >>= 1;
}

/* Hands on what waits, up to a message that is refused, or whose time has not come. */
static void drain(fardel_peer *peer, uint8_t channel) {
  fardel_rx *rx = &peer->session.rx[channel];
  while (rx->present & 1 && !(rx->state & RX_REFUSING)) {
    fardel_buffer *buffer = find_buffer(peer, channel, rx->next);
    if (buffer) {
      fdl_frame frame;
      read_buffer(peer->endpoint, buffer, &frame);
      if (!take_turn(peer, &frame, 1)) return;
      buffer->peer = 0;
    }
    advance(rx);
  }
}

/*
 * What was acknowledged of a refused message will not come again, nor will SKIP if that is all of it.
 * @returns whether it is
 */
static int pass_over(fardel_peer *peer, uint8_t channel) {
  fardel_rx *rx = &peer->session.rx[channel];
  while (rx->present & 1 && rx->state & RX_REFUSING) {
    fardel_buffer *buffer = find_buffer(peer, channel, rx->next);
    int is_end = !buffer || buffer->type & DATA_LAST;
    if (buffer) buffer->peer = 0;
    advance(rx);
    if (is_end) rx->state = 0;
    if (is_end) return 1;
  }
  return 0;
}

void fdl_drain(fardel_peer *peer, uint8_t channel) {
  do drain(peer, channel);
  while (pass_over(peer, channel));
}

void fdl_skip(fardel_peer *peer, uint8_t channel, uint16_t target, int how) {
  fardel_rx *rx = &peer->session.rx[channel];
  if (ahead(rx->next, target) > SKIP_DISTANCE_MAX) return;
  while (rx->next != target) {
    fardel_buffer *buffer =
        rx->present & 1 ? find_buffer(peer, channel, rx->next) : NULL;
    if (buffer) {
      fdl_frame frame;
      read_buffer(peer->endpoint, buffer, &frame);
      if (frame.flags & DATA_FIRST) rx->state &= (uint8_t)~RX_REFUSING;
      int goes_on = (frame.flags & DATA_FIRST) != 0 || (rx->state & RX_UNDER_WAY) != 0;
      if (how == SKIP_DELIVER && goes_on) {
        take_turn(peer, &frame, 1);
        /* It was acknowledged, so it waits; SKIP comes again. */
        if (rx->state & RX_BUSY) return;
      }
      buffer->peer = 0;
    } else {
      break_message(peer, channel);
    }
    advance(rx);
  }
  break_message(peer, channel);
  rx->state = 0;
  fdl_drain(peer, channel);
}

/*
 * A message that is all here, and must wait for its turn: whether it is damaged is looked at now,
 * before its last fragment is acknowledged. @returns whether it is
 */
static int is_damaged_run(fardel_peer *peer, const fdl_frame *arrived) {
  fdl_frame frame;
  fardel_buffer *buffer;
  uint16_t at = arrived->number;
  uint32_t crc = 0;
  uint32_t total = 0;
  uint32_t bytes = 0;
  do {
    buffer = find_buffer(peer, arrived->channel, at--);
  } while (buffer && !(buffer->type & DATA_FIRST));
  uint16_t first = (uint16_t)(at + 1);
  for (at = first; buffer; buffer = find_buffer(peer, arrived->channel, ++at)) {
    read_buffer(peer->endpoint, buffer, &frame);
    if (at == first) total = frame.total;
    crc = fardel_crc32(crc, frame.bytes, frame.count);
    bytes += frame.count;
    if (!(frame.flags & DATA_LAST)) continue;
    if (at == first || (crc == frame.crc && (total == 0 || total == bytes))) return 0;
    stop(&peer->session, arrived->channel, first, STOP_DAMAGED);
    return 1;
  }
  return 0;
}

static void take_ahead(fardel_peer *peer, const fdl_frame *frame) {
  fardel_rx *rx = &peer->session.rx[frame->channel];
  uint32_t bit = 1u << ahead(rx->next, frame->number);
  int is_single = (frame->flags & DATA_FIRST) != 0 && (frame->flags & DATA_LAST) != 0;
  uint32_t max = peer->endpoint->config->message_bytes_max;
  /* Once acknowledged, it could not be refused any more. */
  if (max && frame->flags & DATA_FIRST && (is_single ? frame->count : frame->total) > max) {
    stop(&peer->session, frame->channel, frame->number, STOP_TOO_LARGE);
    return;
  }
  if (is_single && !is_ordered(frame->channel)) {
    /* What is not taken now has its turn later. */
    if (rx->state & RX_BUSY) return;
    if (tell_single(peer, frame) != FARDEL_TAKEN) return;
    rx->present |= bit;
    if (is_latest(frame->channel))
      fdl_skip(peer, frame->channel, (uint16_t)(frame->number + 1), SKIP_DROP);
    return;
  }
  fardel_buffer *buffer = free_buffer(peer->endpoint);
  uint16_t room = (uint16_t)(peer->endpoint->config->mtu_bytes - FARDEL_AROUND_BYTES);
  if (!buffer || frame->body_count > room) return;
  buffer->peer = (uint8_t)(place_of(peer) + 1);
  buffer->type = (uint8_t)((frame->flags & (DATA_FIRST | DATA_LAST)) | frame->channel);
  buffer->fragment = frame->number;
  buffer->bytes = frame->body_count;
  memcpy(bytes_of(peer->endpoint, buffer), frame->body, frame->body_count);
  if (is_damaged_run(peer, frame))
    buffer->peer = 0;
  else
    rx->present |= bit;
}

void fdl_data(fardel_peer *peer, const fdl_frame *frame) {
  fardel_session *session = &peer->session;
  fardel_rx *rx = &session->rx[frame->channel];
  uint16_t distance = ahead(rx->next, frame->number);
  int is_single = (frame->flags & DATA_FIRST) != 0 && (frame->flags & DATA_LAST) != 0;
  /* Whoever has not proved where he is gets no memory. */
  if (session->phase != PHASE_OPEN && !is_single) return;
  session->rx_used |= (uint16_t)(1u << frame->channel);
  rx->news = 2;
  if (distance >= peer->endpoint->config->window || rx->present >> distance & 1) return;
  if (rx->state & RX_REFUSING) {
    stop(session, frame->channel, rx->first, rx->stop_reason);
    return;
  }
  if (distance > 0) {
    if (session->phase == PHASE_OPEN) take_ahead(peer, frame);
    return;
  }
  uint16_t arrived = rx->next;
  if (!take_turn(peer, frame, 0)) return;
  advance(rx);
  drain(peer, frame->channel);
  /*
   * Refused only now, with fragments acknowledged before: the one that completed it is not taken, so
   * the sender cannot believe that all has arrived.
   */
  if (rx->state & RX_REFUSING && ahead(rx->first, arrived) < 0x8000) {
    rx->present <<= ahead(arrived, rx->next);
    rx->next = arrived;
  } else if (pass_over(peer, frame->channel)) {
    fdl_drain(peer, frame->channel);
  }
}

void fdl_break_loose(fardel_peer *peer) {
  fardel_session *session = &peer->session;
  if (session->has_loose)
    tell(peer, session->loose_lane, FARDEL_BROKEN, session->loose_offset, 0, NULL);
  session->has_loose = 0;
}

void fdl_rx_flush(fardel_peer *peer) {
  fardel_session *session = &peer->session;
  if (session->peer_token == 0) return;
  for (uint8_t i = 0; i < FARDEL_CHANNELS; i++)
    fdl_skip(peer, i, (uint16_t)(session->rx[i].next + FARDEL_WINDOW_MAX + 1), SKIP_DELIVER);
}

void fdl_rx_close(fardel_peer *peer) {
  fdl_rx_flush(peer);
  for (uint8_t i = 0; i < peer->endpoint->config->buffers; i++)
    if (peer->endpoint->buffers[i].peer == place_of(peer) + 1) peer->endpoint->buffers[i].peer = 0;
  fdl_break_loose(peer);
}

void fdl_loose(fardel_peer *peer, const fdl_frame *frame) {
  fardel_session *session = &peer->session;
  uint8_t lane = (uint8_t)(FARDEL_LOOSE + frame->channel);
  uint8_t part = FARDEL_FIRST | FARDEL_LAST;
  uint32_t max = peer->endpoint->config->message_bytes_max;
  if (!(frame->flags & LOOSE_FRAGMENTED)) {
    if (!max || frame->count <= max) tell(peer, lane, part, 0, frame->count, frame);
    return;
  }
  if (session->phase != PHASE_OPEN) return;
  int goes_on = session->has_loose && session->loose_lane == lane &&
                session->loose_id == frame->number && session->loose_index == frame->value;
  /* In order, or not at all: nothing waits for what will not come again. */
  if (!goes_on) {
    fdl_break_loose(peer);
    if (frame->value > 0) return;
    session->loose_lane = lane;
    session->loose_id = frame->number;
    session->loose_offset = session->loose_crc = 0;
  }
  part = (uint8_t)((frame->value == 0 ? FARDEL_FIRST : 0) |
                   (frame->flags & LOOSE_LAST ? FARDEL_LAST : 0));
  uint32_t offset = session->loose_offset;
  session->loose_crc = fardel_crc32(session->loose_crc, frame->bytes, frame->count);
  session->loose_offset += frame->count;
  session->loose_index = (uint8_t)(frame->value + 1);
  int is_good = (!max || session->loose_offset <= max) &&
                (!(part & FARDEL_LAST) || session->loose_crc == frame->crc);
  int answer = is_good ? tell(peer, lane, part, offset, 0, frame) : FARDEL_BUSY;
  if (answer == FARDEL_BUSY && frame->value > 0) tell(peer, lane, FARDEL_BROKEN, offset, 0, NULL);
  session->has_loose = answer == FARDEL_TAKEN && !(part & FARDEL_LAST);
}
