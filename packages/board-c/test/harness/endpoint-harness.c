/*
 * Endpoints for tests: all that fardel.h has. The test itself stands behind the callbacks; see
 * ../board-program.ts for the other side.
 *
 * Endpoints are numbered from 1. The memory of the oldest is used again; calls to it then do nothing.
 * Messages have places, which the test gives out.
 */
#include "harness.h"

#include "../../src/endpoint/internal.h"
#include "crypto-told.h"

/* What the test is called back for. */
enum {
  /* (ticket) Address and datagram. Answers what `transmit` returns. */
  TOLD_TRANSMIT = 1,
  TOLD_RANDOM,
  /* (count) All fields of the arrival, then its bytes. Answers what `receive` returns. */
  TOLD_RECEIVE,
  /* (place) Result, i32. */
  TOLD_ENDED,
  /* (what) Address, and reason, i32. */
  TOLD_SESSION,
  /* (place) Offset, u32, and count, u32. Answers with the bytes. */
  TOLD_READ,
  /* Fields of fardel_peer_info, u32 each. */
  TOLD_INFO,
  TOLD_TEXT,
  /* Address: a session is over that had never been open, of which fardel.h says nothing. */
  TOLD_VANISHED,
  /* Address. Answers with its pair keys, each with its side behind it; -1: it is revoked. */
  TOLD_KEYS,
  /* Address, key. */
  TOLD_RIGHT
};

enum { ENDPOINTS = 64, MESSAGES = 256, HELD_BYTES = 256, MEMORY_BYTES = 112 * 1024, PEERS = 254 };

/* A message, and its bytes if they are not read. */
typedef struct parcel {
  fardel_message message;
  int place;
  uint8_t bytes[HELD_BYTES];
} parcel;

typedef struct board {
  int number;
  fardel_endpoint *endpoint;
  fardel_config config;
  /* Sessions as they were after the last call. */
  struct {
    uint32_t token;
    uint8_t is_open;
  } sessions[PEERS];
  parcel parcels[MESSAGES];
} board;

static board boards[ENDPOINTS];
static int opened;

/* The block of an endpoint: of the exact size where something watches over its ends. */
static void *memory_for(int place, size_t bytes) {
#ifdef __wasm__
  static void *pool[ENDPOINTS][MEMORY_BYTES / sizeof(void *)];
  return bytes <= sizeof pool[place] ? pool[place] : NULL;
#else
  static void *pool[ENDPOINTS];
  free(pool[place]);
  return pool[place] = malloc(bytes);
#endif
}

static board *at(int number) {
  board *found = &boards[number % ENDPOINTS];
  return found->number == number && found->endpoint ? found : NULL;
}

static uint8_t *put_u32(uint8_t *to, uint32_t value) {
  for (int shift = 24; shift >= 0; shift -= 8) *to++ = (uint8_t)(value >> shift);
  return to;
}

/* ---- callbacks */

static int number_of(void *context) { return ((board *)context)->number; }

static int transmit(void *context, const uint8_t *address, const uint8_t *datagram, uint16_t bytes,
                    uint8_t ticket) {
  uint8_t told[FARDEL_ADDRESS_BYTES + FARDEL_MTU_MAX];
  memcpy(told, address, FARDEL_ADDRESS_BYTES);
  memcpy(told + FARDEL_ADDRESS_BYTES, datagram, bytes);
  return TELL(TOLD_TRANSMIT, number_of(context), ticket, told, FARDEL_ADDRESS_BYTES + bytes);
}

static uint32_t draw(void *context) {
  return (uint32_t)TELL(TOLD_RANDOM, number_of(context), 0, NULL, 0);
}

static int receive(void *context, const fardel_arrival *arrival) {
  enum { HEAD_BYTES = FARDEL_ADDRESS_BYTES + 3 * 4 + 3 };
  uint8_t told[HEAD_BYTES + FARDEL_MTU_MAX];
  uint8_t *to = told;
  memcpy(to, arrival->address, FARDEL_ADDRESS_BYTES);
  to = put_u32(to + FARDEL_ADDRESS_BYTES, arrival->id);
  to = put_u32(to, arrival->offset);
  to = put_u32(to, arrival->total);
  *to++ = arrival->part;
  *to++ = arrival->channel;
  *to++ = arrival->kind;
  if (arrival->count > 0) memcpy(to, arrival->bytes, arrival->count);
  return TELL(TOLD_RECEIVE, number_of(context), arrival->count, told, HEAD_BYTES + arrival->count);
}

static void ended(void *context, fardel_message *message, int result) {
  uint8_t told[4];
  put_u32(told, (uint32_t)result);
  TELL(TOLD_ENDED, number_of(context), ((parcel *)(void *)message)->place, told, sizeof told);
}

static void tell_session(void *context, const uint8_t *address, int what, int reason) {
  uint8_t told[FARDEL_ADDRESS_BYTES + 4];
  memcpy(told, address, FARDEL_ADDRESS_BYTES);
  put_u32(told + FARDEL_ADDRESS_BYTES, (uint32_t)reason);
  TELL(TOLD_SESSION, number_of(context), what, told, sizeof told);
}

static int read_bytes(fardel_message *message, uint32_t offset, uint8_t *into, uint16_t count) {
  uint8_t told[8];
  put_u32(put_u32(told, offset), count);
  int got = TELL(TOLD_READ, number_of(message->context), ((parcel *)(void *)message)->place, told,
                 sizeof told);
  if (got != count) return -1;
  memcpy(into, ANSWER, count);
  return 0;
}

#ifdef FARDEL_PROTECTED
static int keys_for(void *context, const uint8_t *address, const fardel_pair_key **keys) {
  /* Where they lie for no longer than an application may move them: until it is asked again. */
  static fardel_pair_key found[2][FARDEL_KEYS_MAX];
  static int turn;
  enum { BYTES = FARDEL_PAIR_KEY_BYTES + 1 };
  turn = !turn;
  int count = TELL(TOLD_KEYS, number_of(context), 0, address, FARDEL_ADDRESS_BYTES);
  memset(found, 0xAA, sizeof found);
  *keys = found[turn];
  if (count < 0) return FARDEL_REVOKED;
  for (int i = 0; i < count / BYTES; i++) {
    memcpy(found[turn][i].bytes, ANSWER + i * BYTES, FARDEL_PAIR_KEY_BYTES);
    found[turn][i].side = ANSWER[i * BYTES + FARDEL_PAIR_KEY_BYTES];
  }
  return count / BYTES;
}

static void right(void *context, const uint8_t *address, const fardel_pair_key *key) {
  uint8_t told[FARDEL_ADDRESS_BYTES + FARDEL_PAIR_KEY_BYTES];
  memcpy(told, address, FARDEL_ADDRESS_BYTES);
  memcpy(told + FARDEL_ADDRESS_BYTES, key->bytes, FARDEL_PAIR_KEY_BYTES);
  TELL(TOLD_RIGHT, number_of(context), 0, told, sizeof told);
}
#endif

static void note_sessions(board *of) {
  for (int i = 0; i < of->config.peers; i++) {
    const fardel_peer *peer = &of->endpoint->peers[i];
    uint32_t before = of->sessions[i].token;
    int was_open = of->sessions[i].is_open;
    of->sessions[i].token = peer->session.token;
    of->sessions[i].is_open = peer->session.phase == PHASE_OPEN;
    if (before && before != peer->session.token && !was_open)
      TELL(TOLD_VANISHED, of->number, 0, peer->address, FARDEL_ADDRESS_BYTES);
  }
}

/* ---- fardel.h */

static void fill_config(fardel_config *config, int mtu, int peers, int window, int buffers,
                        int link_depth, int message_bytes_max) {
  memset(config, 0, sizeof *config);
  config->mtu_bytes = (uint16_t)mtu;
  config->peers = (uint8_t)peers;
  config->window = (uint8_t)window;
  config->buffers = (uint8_t)buffers;
  config->link_depth = (uint8_t)link_depth;
  config->message_bytes_max = (uint32_t)message_bytes_max;
  config->transmit = transmit;
  config->random = draw;
  config->receive = receive;
  config->ended = ended;
  config->session = tell_session;
#ifdef FARDEL_PROTECTED
  static fardel_crypto crypto;
  harness_crypto(&crypto);
  config->crypto = &crypto;
  config->right = right;
  /* All is in plain where no key can be. */
  if (mtu >= PROTECTED_MTU_MIN) config->keys = keys_for;
#endif
}

/* @returns number of the endpoint, or what fardel_open() returns if that is less than 0 */
EXPORT int endpoint_open(int mtu, int peers, int window, int buffers, int link_depth,
                         int message_bytes_max, int now) {
  int number = opened + 1;
  board *of = &boards[number % ENDPOINTS];
  memset(of, 0, sizeof *of);
  fill_config(&of->config, mtu, peers, window, buffers, link_depth, message_bytes_max);
  of->config.context = of;
  size_t bytes = fardel_bytes(&of->config);
  void *memory = memory_for(number % ENDPOINTS, bytes);
  int result = fardel_open(&of->endpoint, memory, bytes, &of->config, (uint32_t)now);
  if (result < 0) return result;
  of->number = opened = number;
  return number;
}

/* Address and datagram. */
EXPORT int endpoint_datagram(int number, int count, int rssi, int now) {
  board *of = at(number);
  int bytes = count - FARDEL_ADDRESS_BYTES;
  uint8_t address[FARDEL_ADDRESS_BYTES];
  if (!of || bytes < 0 || bytes > 0xFFFF) return 0;
  memcpy(address, INPUT, sizeof address);
#ifdef __wasm__
  static uint8_t datagram[HARNESS_INPUT_BYTES];
#else
  uint8_t *datagram = malloc(bytes > 0 ? (size_t)bytes : 1);
  if (!datagram) return 0;
#endif
  memcpy(datagram, INPUT + FARDEL_ADDRESS_BYTES, (size_t)bytes);
  fardel_datagram(of->endpoint, address, datagram, (uint16_t)bytes, (int8_t)rssi, (uint32_t)now);
  note_sessions(of);
#ifndef __wasm__
  free(datagram);
#endif
  return 0;
}

EXPORT int endpoint_outcome(int number, int ticket, int outcome, int now) {
  board *of = at(number);
  if (of) fardel_outcome(of->endpoint, (uint8_t)ticket, outcome, (uint32_t)now);
  return 0;
}

EXPORT int endpoint_poll(int number, int now) {
  board *of = at(number);
  if (!of) return -1;
  int wait = (int)fardel_poll(of->endpoint, (uint32_t)now);
  note_sessions(of);
  return wait;
}

/*
 * Address, then the bytes of the message, if they are not to be read.
 * @param way channel, kind, priority, options, whether it is read: 8, 4, 4, 4, 4 bits from the lowest on
 */
EXPORT int endpoint_send(int number, int place, int length, int deadline, int way, int id, int now) {
  board *of = at(number);
  uint8_t address[FARDEL_ADDRESS_BYTES];
  if (!of || place < 0 || place >= MESSAGES) return FARDEL_INVALID;
  parcel *parcel = &of->parcels[place];
  fardel_message *message = &parcel->message;
  if (message->state) return FARDEL_IN_USE;
  memset(message, 0, sizeof *message);
  memcpy(address, INPUT, sizeof address);
  parcel->place = place;
  message->context = of;
  message->length = (uint32_t)length;
  message->deadline_us = (uint32_t)deadline;
  message->channel = (uint8_t)(way & 0xFF);
  message->kind = way >> 8 & 15;
  message->priority = way >> 12 & 15;
  message->options = way >> 16 & 15;
  message->id = (uint16_t)id;
  if (way >> 20 & 1) {
    message->read = read_bytes;
  } else {
    if (length > HELD_BYTES) return FARDEL_INVALID;
    memcpy(parcel->bytes, INPUT + FARDEL_ADDRESS_BYTES, (size_t)length);
    message->bytes = parcel->bytes;
  }
  return fardel_send(of->endpoint, address, message, (uint32_t)now);
}

EXPORT int endpoint_cancel(int number, int place, int now) {
  board *of = at(number);
  if (of) fardel_cancel(of->endpoint, &of->parcels[place].message, (uint32_t)now);
  return 0;
}

EXPORT int endpoint_resume(int number, int now) {
  board *of = at(number);
  if (of) fardel_resume(of->endpoint, (uint32_t)now);
  return 0;
}

/* Address. */
EXPORT int endpoint_close(int number, int now) {
  board *of = at(number);
  uint8_t address[FARDEL_ADDRESS_BYTES];
  memcpy(address, INPUT, sizeof address);
  if (!of) return 0;
  fardel_close(of->endpoint, address, (uint32_t)now);
  note_sessions(of);
  return 0;
}

/* Address. */
EXPORT int endpoint_forget(int number, int now) {
  board *of = at(number);
  uint8_t address[FARDEL_ADDRESS_BYTES];
  memcpy(address, INPUT, sizeof address);
  if (!of) return 0;
  fardel_forget(of->endpoint, address, (uint32_t)now);
  note_sessions(of);
  return 0;
}

EXPORT int endpoint_link(int number, int is_up, int now) {
  board *of = at(number);
  if (of) fardel_link(of->endpoint, is_up, (uint32_t)now);
  return 0;
}

/* Address. What is known comes by TOLD_INFO. */
EXPORT int endpoint_peer_at(int number) {
  board *of = at(number);
  fardel_peer_info info;
  uint8_t told[7 * 4];
  if (!of) return FARDEL_NO_PEER;
  int result = fardel_peer_at(of->endpoint, INPUT, &info);
  if (result < 0) return result;
  uint8_t *to = put_u32(told, info.round_trip_us);
  to = put_u32(to, info.heard_us);
  to = put_u32(to, info.datagrams_sent);
  to = put_u32(to, info.datagrams_received);
  to = put_u32(to, info.repeated);
  to = put_u32(to, (uint32_t)info.rssi_dbm);
  put_u32(to, info.is_open);
  TELL(TOLD_INFO, number, 0, told, sizeof told);
  return result;
}

/* The sentence for a result, by TOLD_TEXT. */
EXPORT int endpoint_text(int result) {
  const char *text = fardel_text(result);
  int count = 0;
  while (text[count]) count++;
  TELL(TOLD_TEXT, 0, 0, (const uint8_t *)text, count);
  return count;
}

/* Address: its keys are others now. */
EXPORT int endpoint_keys_changed(int number, int now) {
  uint8_t address[FARDEL_ADDRESS_BYTES];
  board *of = at(number);
  memcpy(address, INPUT, sizeof address);
  if (!of) return 0;
#ifdef FARDEL_PROTECTED
  fardel_keys_changed(of->endpoint, address, (uint32_t)now);
  note_sessions(of);
#else
  (void)now;
#endif
  return 0;
}

/* ---- a look inside */

/* @returns fragments that wait, and messages under way to us */
EXPORT int endpoint_held(int number) {
  const board *of = at(number);
  int held = 0;
  if (!of) return 0;
  for (int i = 0; i < of->config.buffers; i++) held += of->endpoint->buffers[i].peer != 0;
  for (int i = 0; i < of->config.peers; i++) {
    const fardel_session *session = &of->endpoint->peers[i].session;
    held += session->has_loose;
    for (int channel = 0; channel < FARDEL_CHANNELS; channel++)
      held += (of->endpoint->peers[i].arrays.rx[channel].state & RX_UNDER_WAY) != 0;
  }
  return held;
}

/* Address. @returns how many more fragments may be under way to this peer */
EXPORT int endpoint_places(int number) {
  const board *of = at(number);
  int places = 0;
  if (!of) return 0;
  for (int i = 0; i < of->config.peers; i++) {
    const fardel_peer *peer = &of->endpoint->peers[i];
    if (!peer->is_used || memcmp(peer->address, INPUT, FARDEL_ADDRESS_BYTES) != 0) continue;
    for (int j = 0; j < FARDEL_SEND_WINDOW; j++) places += !peer->arrays.flights[j].message;
  }
  return places;
}

/* @returns bytes of memory by the function, less those by the macro; 0 if it is right */
EXPORT int endpoint_bytes_differ(int mtu, int peers, int buffers) {
  fardel_config config;
  fill_config(&config, mtu, peers, 1, buffers, 1, 0);
  return (int)fardel_bytes(&config) - (int)FARDEL_BYTES(mtu, peers, buffers);
}

/* @returns bytes of memory that an endpoint of this config needs; 0: it is not possible */
EXPORT int endpoint_bytes(int mtu, int peers, int window, int buffers, int link_depth) {
  fardel_config config;
  fill_config(&config, mtu, peers, window, buffers, link_depth, 0);
  return (int)fardel_bytes(&config);
}

/* @returns whether an endpoint with keys may have this MTU; without FARDEL_PROTECTED any */
EXPORT int endpoint_is_possible(int mtu) {
  fardel_config config;
  fill_config(&config, mtu, 1, 1, 0, 1, 0);
#ifdef FARDEL_PROTECTED
  config.keys = keys_for;
#endif
  return fardel_bytes(&config) > 0;
}
