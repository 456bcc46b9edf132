/* The receiving side of a session: fragments to messages; PROTOCOL.md, sections 5.3, 5.4 and 8. */
#include "../checksum.h"
#include "internal.h"

#define REQUEST_CHANNEL 14
#define REQUEST_HEAD_BYTES 3
#define SKIP_DISTANCE_MAX 256

static int is_ordered(uint8_t channel) { return channel < 6; }
static int is_latest(uint8_t channel) { return channel >= 10 && channel < REQUEST_CHANNEL; }

void fdl_rx_open(fardel_session *session) {
  memset(session->rx, 0, FARDEL_CHANNELS * sizeof *session->rx);
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

static int receive(fardel_peer *peer, const fardel_arrival *arrival) {
  peer->is_held = 1;
  int answer = peer->endpoint->config->receive(peer->endpoint->config->context, arrival);
  peer->is_held = 0;
  return answer;
}

int fdl_tell(fardel_peer *peer, const fdl_frame *frame, uint8_t part, uint32_t offset) {
  fardel_arrival arrival;
  memset(&arrival, 0, sizeof arrival);
  arrival.address = peer->address;
  arrival.channel = frame->channel;
  arrival.part = part;
  arrival.offset = offset;
  arrival.total = frame->total;
  arrival.bytes = frame->bytes;
  arrival.count = frame->count;
  if (arrival.channel >> 1 == REQUEST_CHANNEL >> 1) {
    /* The head is in the first fragment: the application sees what comes behind it. */
    if (arrival.total) arrival.total -= REQUEST_HEAD_BYTES;
    if (part & FARDEL_FIRST) {
      if (arrival.count < REQUEST_HEAD_BYTES) return FARDEL_UNWANTED;
      arrival.kind = frame->bytes[0];
      arrival.id = fdl_get_u16(frame->bytes + 1);
      if (arrival.kind < FARDEL_REQUEST || arrival.kind > FARDEL_FAILURE) return FARDEL_UNWANTED;
      arrival.bytes += REQUEST_HEAD_BYTES;
      arrival.count = (uint16_t)(arrival.count - REQUEST_HEAD_BYTES);
    } else {
      arrival.offset -= REQUEST_HEAD_BYTES;
    }
  }
  return receive(peer, &arrival);
}

void fdl_tell_broken(fardel_peer *peer, uint8_t channel) {
  fardel_arrival arrival;
  memset(&arrival, 0, sizeof arrival);
  arrival.address = peer->address;
  arrival.channel = channel;
  arrival.part = FARDEL_BROKEN;
  receive(peer, &arrival);
}

void fdl_say_stop(fardel_session *session, uint8_t channel, uint16_t first, uint8_t reason) {
  session->stop_channel = channel;
  session->stop_first = first;
  session->stop_reason = reason;
}

static void break_message(fardel_peer *peer, uint8_t channel) {
  fardel_rx *rx = &peer->session.rx[channel];
  if (!(rx->state & RX_UNDER_WAY)) return;
  rx->state &= (uint8_t)~RX_UNDER_WAY;
  fdl_tell_broken(peer, channel);
}

/* Why the fragment whose turn it is cannot be offered to the application. @returns STOP_; 0: it can */
static uint8_t fault_of(const fardel_peer *peer, const fdl_frame *frame, uint32_t crc) {
  const fardel_rx *rx = &peer->session.rx[frame->channel];
  uint32_t max = peer->endpoint->config->message_bytes_max;
  uint32_t end = rx->offset + frame->count;
  int is_last_of_several = (frame->flags & (DATA_FIRST | DATA_LAST)) == DATA_LAST;
  if (max && (rx->total > max || end > max)) return STOP_TOO_LARGE;
  if (rx->total && (end > rx->total || (is_last_of_several && end != rx->total)))
    return STOP_DAMAGED;
  return is_last_of_several && crc != frame->crc ? STOP_DAMAGED : 0;
}

/* The fragment whose turn it is. @returns whether it was taken; if not, nothing has changed but `state` */
static int take_turn(fardel_peer *peer, fdl_frame *frame, int was_waiting) {
  uint8_t channel = frame->channel;
  fardel_rx *rx = &peer->session.rx[channel];
  uint8_t is_last = frame->flags & DATA_LAST;
  uint8_t part = is_last ? FARDEL_LAST : 0;
  int is_stray = 0;
  rx->state &= (uint8_t)~RX_BUSY;
  if (frame->flags & DATA_FIRST) {
    /* Inside a message: damage that a CRC-16 has let pass. */
    break_message(peer, channel);
    part |= FARDEL_FIRST;
    rx->first = rx->next;
    rx->crc = 0;
    rx->offset = 0;
    rx->total = is_last ? frame->count : frame->total;
  } else if (!(rx->state & RX_UNDER_WAY)) {
    rx->first = rx->next;
    is_stray = 1;
  }
  if (is_stray && was_waiting) {
    /* Acknowledged before, it will not come again, and nothing may wait for it. */
    fdl_say_stop(&peer->session, channel, rx->first, STOP_DAMAGED);
    return 1;
  }
  uint32_t crc = fardel_crc32(rx->crc, frame->bytes, frame->count);
  uint8_t fault = is_stray ? STOP_DAMAGED : fault_of(peer, frame, crc);
  if (fault) {
    break_message(peer, channel);
  } else {
    frame->total = rx->total;
    int answer = fdl_tell(peer, frame, part, rx->offset);
    if (answer == FARDEL_TAKEN) {
      rx->crc = crc;
      rx->offset += frame->count;
      rx->state = is_last ? 0 : RX_UNDER_WAY;
      return 1;
    }
    if (answer == FARDEL_BUSY) {
      rx->state |= RX_BUSY;
      return 0;
    }
    fault = STOP_UNWANTED;
  }
  /* Nothing more of this message is taken. */
  rx->state = RX_REFUSING;
  rx->stop_reason = fault;
  fdl_say_stop(&peer->session, channel, rx->first, fault);
  return 0;
}

static void advance(fardel_rx *rx) {
  rx->next++;
  rx->present >>= 1;
}

/*
 * Hands on what waits, and passes over what was acknowledged of a refused message: neither that nor SKIP
 * for it would come again.
 * @param arrived the fragment that filled the gap; less: none did
 */
static void drain(fardel_peer *peer, fdl_frame *frame, int32_t arrived) {
  fardel_rx *rx = &peer->session.rx[frame->channel];
  while (rx->present & 1 && !(rx->state & RX_BUSY)) {
    fardel_buffer *buffer = fdl_find_buffer(peer, frame->channel, rx->next);
    if (rx->state & RX_REFUSING) {
      if (!buffer || buffer->type & DATA_LAST) rx->state = 0;
    } else if (buffer) {
      fdl_read_buffer(peer->endpoint, buffer, frame);
      if (!take_turn(peer, frame, 1)) {
        uint16_t from = (uint16_t)arrived;
        if (arrived < 0 || rx->state & RX_BUSY || ahead(rx->first, from) >= 0x8000) continue;
        /*
         * Refused only now, with fragments acknowledged before: the one that completed it is not taken,
         * so the sender cannot believe that all has arrived.
         */
        rx->present <<= ahead(from, rx->next);
        rx->next = from;
        return;
      }
    }
    if (buffer) buffer->peer = 0;
    advance(rx);
  }
}

void fdl_drain(fardel_peer *peer, fdl_frame *frame) { drain(peer, frame, -1); }

void fdl_skip(fardel_peer *peer, fdl_frame *frame, int how) {
  uint8_t channel = frame->channel;
  uint16_t target = frame->number;
  fardel_rx *rx = &peer->session.rx[channel];
  if (ahead(rx->next, target) > SKIP_DISTANCE_MAX) return;
  while (rx->next != target) {
    fardel_buffer *buffer = rx->present & 1 ? fdl_find_buffer(peer, channel, rx->next) : NULL;
    if (buffer) {
      fdl_read_buffer(peer->endpoint, buffer, frame);
      if (frame->flags & DATA_FIRST) rx->state &= (uint8_t)~RX_REFUSING;
      int goes_on = (frame->flags & DATA_FIRST) != 0 || (rx->state & RX_UNDER_WAY) != 0;
      if (how == SKIP_DELIVER && goes_on) {
        take_turn(peer, frame, 1);
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
}

/* @returns as fdl_data() */
static int take_ahead(fardel_peer *peer, fdl_frame *frame) {
  fardel_rx *rx = &peer->session.rx[frame->channel];
  uint32_t bit = 1u << ahead(rx->next, frame->number);
  int is_single = (frame->flags & DATA_FIRST) != 0 && (frame->flags & DATA_LAST) != 0;
  uint32_t max = peer->endpoint->config->message_bytes_max;
  /* Once acknowledged, it could not be refused any more. */
  if (max && frame->flags & DATA_FIRST && (is_single ? frame->count : frame->total) > max) {
    fdl_say_stop(&peer->session, frame->channel, frame->number, STOP_TOO_LARGE);
    return 0;
  }
  if (is_single && !is_ordered(frame->channel)) {
    /* What is not taken now has its turn later. */
    frame->total = frame->count;
    if (rx->state & RX_BUSY || fdl_tell(peer, frame, FARDEL_FIRST | FARDEL_LAST, 0) != FARDEL_TAKEN)
      return 0;
    rx->present |= bit;
    return is_latest(frame->channel);
  }
  if (fdl_keep(peer, frame)) rx->present |= bit;
  return 0;
}

int fdl_data(fardel_peer *peer, fdl_frame *frame) {
  fardel_session *session = &peer->session;
  fardel_rx *rx = &session->rx[frame->channel];
  uint16_t arrived = rx->next;
  uint16_t distance = ahead(arrived, frame->number);
  int is_single = (frame->flags & DATA_FIRST) != 0 && (frame->flags & DATA_LAST) != 0;
  /* Whoever has not proved where he is gets no memory. */
  if (session->phase != PHASE_OPEN && !is_single) return 0;
  session->rx_used |= (uint16_t)(1u << frame->channel);
  rx->news = 2;
  if (distance >= peer->endpoint->config->window || rx->present >> distance & 1) return 0;
  if (rx->state & RX_REFUSING) {
    fdl_say_stop(session, frame->channel, rx->first, rx->stop_reason);
    return 0;
  }
  if (distance > 0) return session->phase == PHASE_OPEN && take_ahead(peer, frame);
  if (!take_turn(peer, frame, 0)) return 0;
  advance(rx);
  drain(peer, frame, arrived);
  return 0;
}

void fdl_rx_flush(fardel_peer *peer) {
  fardel_session *session = &peer->session;
  fdl_frame frame;
  if (session->peer_token == 0) return;
  for (uint8_t i = 0; i < FARDEL_CHANNELS; i++) {
    frame.channel = i;
    frame.number = (uint16_t)(session->rx[i].next + FARDEL_WINDOW_MAX + 1);
    fdl_skip(peer, &frame, SKIP_DELIVER);
  }
}

void fdl_rx_close(fardel_peer *peer) {
  fdl_rx_flush(peer);
  /* Who is busy even now gets no more of what has begun. */
  for (uint8_t i = 0; i < FARDEL_CHANNELS; i++) break_message(peer, i);
  fdl_free_buffers(peer);
  fdl_break_loose(peer);
}
