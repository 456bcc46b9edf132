/* Messages are cut and written here; PROTOCOL.md, sections 3.2, 3.7, 5.2 and 7.4. */
#include "../checksum.h"
#include "writer.h"

/** Fragments up to this size, together, ride on a probe. */
#define PROBE_DATA_BYTES_MAX 64
#define REQUEST_HEAD_BYTES 3
/** Their numbers are told apart modulo 2^16. */
#define FRAGMENTS_MAX 65000u

/* Room for an unacknowledged message, even in the long form. */
static uint16_t loose_room(uint16_t mtu) {
  return (uint16_t)(mtu - (mtu < 64 ? SHORT_HEAD_BYTES : LONG_HEAD_BYTES) - CRC_BYTES);
}

int fdl_is_too_large(const fardel_message *message, uint16_t mtu) {
  uint32_t max = (uint32_t)(mtu - FARDEL_AROUND_BYTES) * FRAGMENTS_MAX;
  if (message->channel >= FARDEL_LOOSE) {
    uint32_t room = loose_room(mtu);
    max = HAS_LOOSE_PARTS ? (room - LOOSE_HEAD_BYTES) * LOOSE_FRAGMENTS_MAX - MESSAGE_CRC_BYTES
                          : room - 1;
  }
  return message->length > max;
}

/* The part of an unacknowledged message that goes next. */
static void measure_loose(uint16_t mtu, const fardel_message *message, fdl_span *span) {
  uint16_t room = loose_room(mtu);
  uint16_t piece = (uint16_t)(room - LOOSE_HEAD_BYTES);
  uint32_t left = message->length;
  span->offset = 0;
  span->shape = 0;
  span->bytes = 1;
  if (HAS_LOOSE_PARTS && left >= room) {
    span->offset = (uint32_t)message->cut * piece;
    if (span->offset > left) span->offset = left;
    left -= span->offset;
    span->shape = LOOSE_FRAGMENTED;
    span->bytes = LOOSE_HEAD_BYTES;
    if (left + MESSAGE_CRC_BYTES <= piece) {
      span->shape |= LOOSE_LAST;
      span->bytes += MESSAGE_CRC_BYTES;
    } else if (left > piece) {
      left = piece;
    }
  }
  span->count = (uint16_t)left;
  span->bytes = (uint16_t)(span->bytes + left);
}

void fdl_measure(const fardel_session *session, const pick *picked, fdl_span *span) {
  fardel_message *message = picked->message;
  if (message->channel >= FARDEL_LOOSE) {
    measure_loose(session->mtu, message, span);
    return;
  }
  if (message->cut == 0) message->piece = (uint16_t)(session->mtu - FARDEL_AROUND_BYTES);
  const fardel_flight *flight = picked->flight;
  fdl_span_of(message, flight ? ahead(message->first, flight->fragment) : message->cut, span);
}

int fdl_room_of(const fdl_writer *out) {
  int room = (int)(out->end - out->at);
  return out->open ? room - fdl_varint_bytes((uint32_t)(out->at - out->body)) : room;
}

int fdl_can_ride(const fdl_writer *out) {
  const fardel_peer *peer = out->peer;
  pick picked;
  fdl_span span;
  int bytes = fdl_ack_bytes(peer);
  if (fdl_pick(peer, &picked) >= 0) {
    if (picked.message->channel >= FARDEL_LOOSE) return 0;
    fdl_measure(&peer->session, &picked, &span);
    bytes += span.bytes;
  }
  return bytes <= fdl_room_of(out);
}

/* Another frame begins: the open one gets its length. */
static void begin_frame(fdl_writer *out, uint8_t head) {
  if (out->open) {
    uint32_t count = (uint32_t)(out->at - out->body);
    uint8_t length = fdl_varint_bytes(count);
    memmove(out->body + length, out->body, count);
    fdl_put_varint(out->body, count);
    *out->open |= *out->open & TYPE_DATA ? DATA_LENGTH : LOOSE_LENGTH;
    out->at += length;
  }
  out->open = out->at;
  *out->at++ = head;
  out->has_messages = 1;
}

/* Bytes of a message, of which requests and replies have a head: it is in the first fragment. */
static void write_bytes(fdl_writer *out, fardel_message *message, uint16_t index,
                        const fdl_span *span) {
  fardel_peer *peer = out->peer;
  uint8_t *into = out->at;
  uint32_t offset = span->offset;
  uint16_t count = span->count;
  int result = 0;
  if (message->kind && offset) {
    offset -= REQUEST_HEAD_BYTES;
  } else if (message->kind) {
    *into++ = message->kind;
    into = fdl_put_u16(into, message->id);
    count = (uint16_t)(count - REQUEST_HEAD_BYTES);
  }
  if (message->bytes) {
    memcpy(into, message->bytes + offset, count);
  } else if (count > 0) {
    peer->is_held = 1;
    result = message->read(message, offset, into, count);
    peer->is_held = 0;
  }
  if (result < 0) {
    out->unreadable = message;
    memset(into, 0, count);
  }
  if (index == message->summed) {
    message->crc = fardel_crc32(message->crc, out->at, span->count);
    message->summed++;
  }
  out->at += span->count;
}

static void write_fragment(fdl_writer *out, fardel_flight *flight, const fdl_span *span) {
  fardel_message *message = flight->message;
  flight->is_lost = 0;
  flight->number = out->peer->session.number;
  begin_frame(out, (uint8_t)(TYPE_DATA | span->shape | message->channel));
  out->at = out->body = fdl_put_u16(out->at, flight->fragment);
  if (span->shape == DATA_FIRST) out->at = fdl_put_varint(out->at, fdl_stream_bytes(message));
  write_bytes(out, message, ahead(message->first, flight->fragment), span);
  if (span->shape == DATA_LAST) out->at = fdl_put_u32(out->at, message->crc);
  out->elicits = 1;
  out->ends_urgent |= message->priority == FARDEL_URGENT && span->shape & DATA_LAST;
}

static void write_loose(fdl_writer *out, fardel_message *message, const fdl_span *span) {
  fardel_peer *peer = out->peer;
  uint8_t shape = HAS_LOOSE_PARTS ? span->shape : 0;
  uint8_t is_last = shape & LOOSE_LAST;
  begin_frame(out, (uint8_t)(TYPE_LOOSE | (shape & LOOSE_FRAGMENTED) |
                             (message->channel - FARDEL_LOOSE)));
  if (shape) {
    if (message->cut == 0) peer->loose_id++;
    out->at = fdl_put_u16(out->at, peer->loose_id);
    *out->at++ = (uint8_t)(message->cut | is_last);
  }
  out->body = out->at;
  write_bytes(out, message, message->cut++, span);
  if (is_last) out->at = fdl_put_u32(out->at, message->crc);
  if (shape && !is_last) return;
  message->state |= M_CUT;
  out->loose = message;
}

/* A fragment goes for the first time. */
static fardel_flight *cut(fardel_session *session, fardel_message *message, uint8_t shape) {
  fardel_flight *flight = session->flights;
  while (flight->message) flight++;
  fardel_tx *tx = &session->tx[message->channel];
  if (message->cut == 0) message->first = tx->next;
  if (shape & DATA_LAST) message->state |= M_CUT;
  message->cut++;
  message->open++;
  flight->message = message;
  flight->fragment = tx->next++;
  return flight;
}

void fdl_fill(fdl_writer *out) {
  fardel_peer *peer = out->peer;
  fardel_session *session = &peer->session;
  pick picked;
  fdl_span span;
  while (!out->unreadable && !out->loose && fdl_pick(peer, &picked) >= 0) {
    fardel_message *message = picked.message;
    fdl_measure(session, &picked, &span);
    if (span.bytes > fdl_room_of(out)) return;
    if (message->channel >= FARDEL_LOOSE) {
      session->last_channel = FARDEL_LOOSE;
      write_loose(out, message, &span);
      continue;
    }
    session->last_channel = message->channel;
    if (picked.flight) peer->repeated++;
    else picked.flight = cut(session, message, span.shape);
    write_fragment(out, picked.flight, &span);
  }
}

void fdl_fill_probe(fdl_writer *out) {
  fardel_peer *peer = out->peer;
  int room = fdl_room_of(out) < PROBE_DATA_BYTES_MAX ? fdl_room_of(out) : PROBE_DATA_BYTES_MAX;
  fdl_span span;
  for (uint8_t i = 0; i < FARDEL_SEND_WINDOW; i++) {
    pick picked = {&peer->session.flights[i], peer->session.flights[i].message};
    if (!picked.message || picked.flight->is_lost) continue;
    fdl_measure(&peer->session, &picked, &span);
    if (span.bytes + 1 > room) continue;
    room -= span.bytes + 1;
    write_fragment(out, picked.flight, &span);
    peer->repeated++;
  }
}
