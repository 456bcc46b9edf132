/*
 * What peers say. The input chooses; tokens, numbers and checksums are filled in from inside the endpoint,
 * as the peer would know them. Without that hardly anything would get past the CRC-16.
 */
#include "endpoint-world.h"

#include "../../src/checksum.h"

enum { DATAGRAM_BYTES_MAX = 1600, FRAMES_MAX = 6 };

typedef struct sentence {
  int who;
  /* NULL: the endpoint has none with this peer. */
  const fardel_session *session;
  uint8_t *at;
  uint8_t *end;
} sentence;

void restart_speaker(int who) {
  speaker *of = &it.speakers[who];
  /* Low bits near the end of their range, and token after token apart. */
  of->token = of->token * 5 + 0xFFFE0001u + (uint32_t)who * 0x01000300u;
  if (of->token == 0) of->token = 1;
  of->number = of->token >> 16;
  memset(of->streams, 0, sizeof of->streams);
}

void hear(int who, const uint8_t *datagram, size_t bytes) {
  uint8_t address[FARDEL_ADDRESS_BYTES];
  uint8_t *copy = fuzz_copy(datagram, bytes);
  address_of(who, address);
  FUZZ_SAY("  hear %zu bytes from %d\n", bytes, who);
  if (it.has_inbox) {
    uint8_t used = (uint8_t)(it.inbox.written >= it.inbox.read
                                 ? it.inbox.written - it.inbox.read
                                 : it.inbox.written + 2 * it.inbox.slot_count - it.inbox.read);
    int is_taken = fardel_inbox_datagram(&it.inbox, address, copy, (uint16_t)bytes, -60);
    int has_room = used < it.inbox.slot_count && bytes <= it.config.mtu_bytes;
    EXPECT(is_taken == (has_room ? FARDEL_OK : FARDEL_NO_MEMORY), "an inbox takes what it can");
    if (has_room) it.speakers[who].heard_bytes += (uint32_t)bytes;
  } else {
    it.speakers[who].heard_bytes += (uint32_t)bytes;
    fardel_datagram(it.endpoint, address, copy, (uint16_t)bytes, -60, it.now_us);
    watch_peers();
  }
  free(copy);
}

/* ---- where the endpoint is: the next fragment that it misses, that it cuts, that we miss */

static uint16_t next_to_hear(const sentence *out, uint8_t channel) {
  return out->session ? out->session->rx[channel].next : 0;
}

static uint16_t next_to_cut(const sentence *out, uint8_t channel) {
  return out->session ? out->session->tx[channel].next : 0;
}

static uint16_t next_to_ack(const sentence *out, uint8_t channel) {
  return out->session ? out->session->tx[channel].peer_next : 0;
}

static uint32_t last_number(const sentence *out) {
  return out->session ? out->session->number - 1 : 0;
}

/* ---- frames: each writes one, if there is room */

static void put(sentence *out, const uint8_t *bytes, size_t count) {
  if ((size_t)(out->end - out->at) < count) return;
  memcpy(out->at, bytes, count);
  out->at += count;
}

/* DATA or LOOSE: head, then the length of what follows, so that another frame may. */
static void put_lengthy(sentence *out, const uint8_t *head, size_t head_count, const uint8_t *body,
                        size_t count) {
  uint8_t length[4];
  uint8_t *behind = fdl_put_varint(length, (uint32_t)count);
  if ((size_t)(out->end - out->at) < head_count + count + sizeof length) return;
  put(out, head, head_count);
  put(out, length, (size_t)(behind - length));
  put(out, body, count);
}

static void put_data(sentence *out, uint8_t flags, uint8_t channel, uint16_t fragment,
                     const uint8_t *body, size_t count) {
  uint8_t head[DATA_HEAD_BYTES] = {(uint8_t)(TYPE_DATA | DATA_LENGTH | flags | channel)};
  fdl_put_u16(head + 1, fragment);
  put_lengthy(out, head, sizeof head, body, count);
}

static uint32_t crc_of(uint32_t count) {
  uint32_t crc = 0;
  for (uint32_t i = 0; i < count; i++) {
    uint8_t byte = content(i);
    crc = fardel_crc32(crc, &byte, 1);
  }
  return crc;
}

static void single(sentence *out, fuzz_input *in, uint8_t channel) {
  uint8_t body[64];
  uint8_t count = fuzz_choice(in, sizeof body);
  int8_t distance = (int8_t)fuzz_byte(in);
  for (uint8_t i = 0; i < count; i++) body[i] = content(i + 1u);
  if (channel >= 14 && count > 0) body[0] = (uint8_t)(1 + count % 4);
  put_data(out, DATA_FIRST | DATA_LAST, channel, (uint16_t)(next_to_hear(out, channel) + distance),
           body, count);
}

static void begin_stream(sentence *out, fuzz_input *in, uint8_t channel) {
  stream *of = &it.speakers[out->who].streams[channel];
  uint8_t how = fuzz_byte(in);
  of->first = (uint16_t)(next_to_hear(out, channel) + (how & 3));
  of->fragments = (uint8_t)(2 + (how >> 2 & 7));
  of->piece = (uint8_t)(1 + fuzz_choice(in, 40));
}

/* A fragment of the stream that has begun, with its length told or not, and its CRC right or not. */
static void fragment(sentence *out, fuzz_input *in, uint8_t channel) {
  const stream *of = &it.speakers[out->who].streams[channel];
  uint8_t how = fuzz_byte(in);
  uint8_t index = how & 15;
  uint8_t body[64];
  uint8_t *at = body;
  uint8_t flags = 0;
  if (of->fragments == 0 || index >= of->fragments) return;
  uint32_t total = (uint32_t)of->piece * of->fragments;
  if (index == 0) {
    flags = DATA_FIRST;
    at = fdl_put_varint(at, how & 0x20 ? 0 : total + (how >> 6 == 3));
  }
  for (uint8_t i = 0; i < of->piece; i++) *at++ = content((uint32_t)index * of->piece + i);
  /* Heads of requests. */
  if (channel >= 14 && index == 0) at[-of->piece] = FARDEL_REQUEST;
  if (index + 1 == of->fragments) {
    flags = DATA_LAST;
    uint32_t crc = crc_of(total);
    if (channel >= 14) {
      uint8_t kind = FARDEL_REQUEST;
      crc = fardel_crc32(0, &kind, 1);
      for (uint32_t i = 1; i < total; i++) {
        uint8_t byte = content(i);
        crc = fardel_crc32(crc, &byte, 1);
      }
    }
    at = fdl_put_u32(at, how & 0x10 ? ~crc : crc);
  }
  put_data(out, flags, channel, (uint16_t)(of->first + index), body, (size_t)(at - body));
}

static void ack(sentence *out, fuzz_input *in, uint8_t channel) {
  static const uint8_t windows[] = {8, 1, 0, 32, 2, 255, 8, 3};
  uint8_t frame[ACK_BYTES + 4];
  uint8_t how = fuzz_byte(in);
  uint8_t map = fuzz_choice(in, 5);
  uint8_t behind = fuzz_byte(in);
  /* All that was sent, or something between, or what never was. */
  uint16_t next = how & 0x80 ? next_to_cut(out, channel)
                             : (uint16_t)(next_to_ack(out, channel) + (int8_t)(how << 4) / 16);
  frame[0] = (uint8_t)(TYPE_ACK | channel);
  fdl_put_u16(frame + 1, (uint16_t)(last_number(out) - (behind & 31)));
  fdl_put_u16(frame + 3, next);
  frame[5] = windows[how >> 4 & 7];
  /* Perhaps a map that is longer than what there is of it. */
  frame[6] = (uint8_t)(map + (behind & 0x20 ? 24 : 0));
  frame[6] |= (uint8_t)((behind & 0x80 ? 0 : ACK_PROMPT) | (behind & 0x40 ? ACK_CUT : 0));
  for (uint8_t i = 0; i < map; i++) frame[ACK_BYTES + i] = fuzz_byte(in);
  put(out, frame, ACK_BYTES + (size_t)map);
}

static void state_mtu(sentence *out, uint16_t mtu, uint8_t window) {
  speaker *of = &it.speakers[out->who];
  uint8_t frame[HELLO_BYTES] = {TYPE_HELLO | 1};
  fdl_put_u16(frame + 1, mtu);
  frame[3] = window;
  put(out, frame, sizeof frame);
  if (mtu > of->stated_mtu) of->stated_mtu = mtu;
}

static void hello(sentence *out, fuzz_input *in) {
  static const uint16_t mtus[] = {250, 20, 21, 64, 30, 1500, 19, 0};
  uint8_t how = fuzz_byte(in);
  state_mtu(out, mtus[how & 7], how >> 3);
}

void note_raw(int who, const uint8_t *bytes, size_t count) {
  for (size_t i = 0; i < count; i++)
    if ((bytes[i] & 0xF0) == TYPE_HELLO) it.speakers[who].stated_mtu = UINT16_MAX;
}

/* SKIP, STOP, CLOSE */
static void small(sentence *out, fuzz_input *in, uint8_t type, uint8_t channel) {
  int8_t distance = (int8_t)fuzz_byte(in);
  uint8_t frame[STOP_BYTES] = {(uint8_t)(type | channel)};
  if (type == TYPE_CLOSE) {
    frame[0] = TYPE_CLOSE;
    put(out, frame, 2);
    return;
  }
  uint16_t from = type == TYPE_SKIP ? next_to_hear(out, channel) : next_to_ack(out, channel);
  fdl_put_u16(frame + 1, (uint16_t)(from + distance));
  frame[3] = (uint8_t)((distance & 3) + 1);
  put(out, frame, type == TYPE_SKIP ? SKIP_BYTES : STOP_BYTES);
}

/* Of a message of as many parts as the second byte says, each of 5 bytes. */
static void loose(sentence *out, fuzz_input *in, uint8_t channel) {
  enum { PART_BYTES = 5 };
  uint8_t how = fuzz_byte(in);
  uint8_t body[PART_BYTES + MESSAGE_CRC_BYTES];
  uint8_t head[4] = {(uint8_t)(TYPE_LOOSE | LOOSE_LENGTH | (channel & 3))};
  uint8_t index = how & 3;
  uint8_t last = how >> 2 & 3;
  uint8_t *at = body;
  for (; at < body + PART_BYTES; at++) *at = content((uint32_t)(index * PART_BYTES + (at - body)));
  if (how & 0x80) {
    put_lengthy(out, head, 1, body, how & PART_BYTES);
    return;
  }
  head[0] |= LOOSE_FRAGMENTED;
  fdl_put_u16(head + 1, how >> 4 & 3);
  head[3] = index;
  if (index == last) {
    head[3] |= LOOSE_LAST;
    at = fdl_put_u32(at, crc_of((last + 1u) * PART_BYTES) ^ (how & 0x40));
  }
  put_lengthy(out, head, sizeof head, body, (size_t)(at - body));
}

static void raw(sentence *out, fuzz_input *in) {
  size_t count = fuzz_choice(in, 40);
  uint8_t *bytes = fuzz_bytes(in, &count);
  note_raw(out->who, bytes, count);
  put(out, bytes, count);
  free(bytes);
}

static void frame(sentence *out, fuzz_input *in) {
  uint8_t what = fuzz_byte(in);
  uint8_t channel = what >> 4;
  switch (what & 15) {
    case 0:
    case 1: single(out, in, channel); break;
    case 2: begin_stream(out, in, channel); /* fall through */
    case 3:
    case 4: fragment(out, in, channel); break;
    case 5:
    case 6: ack(out, in, channel); break;
    case 7: small(out, in, TYPE_SKIP, channel); break;
    case 8: small(out, in, TYPE_STOP, channel); break;
    case 9: loose(out, in, channel); break;
    case 10: hello(out, in); break;
    case 11: small(out, in, TYPE_CLOSE, channel); break;
    case 12: put(out, (const uint8_t[]){TYPE_EXTENSION | 3, 2, 9, 9}, 4); break;
    case 13: put(out, (const uint8_t[]){TYPE_PAD}, 1); break;
    default: raw(out, in);
  }
}

/* ---- datagrams */

enum { FORM_SHORT, FORM_LONG, FORM_OPENING, FORM_NO_SESSION };

static void seal(const sentence *out, uint8_t *datagram, uint32_t to, uint32_t from,
                 uint32_t number, int is_damaged) {
  size_t bytes = (size_t)(out->at - datagram);
  uint16_t crc = (uint16_t)~fdl_datagram_crc(datagram, (uint16_t)bytes, to, from, number);
  if (is_damaged) crc ^= 0x0100;
  datagram[bytes] = (uint8_t)crc;
  datagram[bytes + 1] = (uint8_t)(crc >> 8);
  hear(out->who, datagram, bytes + CRC_BYTES);
}

/* As a peer goes on that has understood everything. */
static uint8_t proper_form(const fardel_session *session, const speaker *of) {
  if (!session) return FORM_OPENING;
  return session->phase == PHASE_OPEN && session->peer_token == of->token ? FORM_SHORT : FORM_LONG;
}

/* First byte: who, whose tokens, form; second: question, size, frames, damage; third: a number's distance. */
void speak(fuzz_input *in, int is_proper) {
  uint8_t datagram[DATAGRAM_BYTES_MAX];
  uint8_t how = fuzz_byte(in);
  uint8_t more = fuzz_byte(in);
  int8_t distance = is_proper ? 0 : (int8_t)fuzz_byte(in);
  sentence out;
  out.who = (how & 15) % ADDRESSES;
  speaker *of = &it.speakers[out.who];
  const fardel_peer *peer = peer_at(out.who);
  out.session = peer && peer->session.phase != PHASE_NONE ? &peer->session : NULL;
  uint8_t form = is_proper ? proper_form(out.session, of) : how >> 5 & 3;
  uint32_t from = of->token;
  uint32_t to = how & 0x10 || !out.session ? of->told_token : out.session->token;
  uint32_t number = of->number + (uint32_t)(int32_t)distance;
  if (distance == 0) of->number++;
  if (form == FORM_OPENING) to = 0;
  if (form == FORM_NO_SESSION) {
    from = 0;
    number = last_number(&out) - (uint32_t)(uint8_t)distance;
  }
  uint8_t ask = more & HEAD_ASK;
  out.at = datagram;
  out.end = datagram + it.config.mtu_bytes + (more & 4) - CRC_BYTES;
  if (form == FORM_SHORT) {
    *out.at++ = HEAD_SHORT | ask;
    out.at = fdl_put_u16(out.at, (uint16_t)number);
  } else {
    *out.at++ = HEAD_LONG | ask;
    out.at = fdl_put_u32(fdl_put_u32(fdl_put_u32(out.at, from), to), number);
  }
  static const uint16_t mtus[ADDRESSES] = {250, 64, 20, 30, 1500};
  if (is_proper && form == FORM_OPENING) state_mtu(&out, mtus[out.who], 8);
  if (form == FORM_NO_SESSION) {
    *out.at++ = TYPE_NO_SESSION;
  } else {
    for (int left = (more >> 3 & 7) % FRAMES_MAX; left > 0; left--) frame(&out, in);
  }
  seal(&out, datagram, to, from, number, more >> 6 == 3);
}
