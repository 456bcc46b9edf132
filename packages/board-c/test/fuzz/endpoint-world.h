/*
 * An endpoint with all that is around it, for endpoint-fuzz.c: a link, an application, and peers whose
 * datagrams the input composes.
 */
#ifndef FARDEL_ENDPOINT_WORLD_H
#define FARDEL_ENDPOINT_WORLD_H

#include "../../src/endpoint/internal.h"
#include "fardel/inbox.h"
#include "fuzz.h"

/* More than any config has peers. */
enum { ADDRESSES = 5, LANES = FARDEL_LOOSE + 4, PARCELS = 24, CALLBACK_SENDS_MAX = 40 };

/* A message of the application. It is freed when it has ended: nobody may touch it then. */
typedef struct parcel {
  fardel_message message;
  uint8_t *bytes;
  /* Reads that go well; then one fails. */
  uint8_t reads_left;
} parcel;

/* A message that is arriving. */
typedef struct coming {
  int is_under_way;
  uint32_t offset;
  uint32_t total;
} coming;

/* A message in fragments that a peer sends: byte i of it is i * 7. */
typedef struct stream {
  uint16_t first;
  uint8_t piece;
  uint8_t fragments;
} stream;

/* A peer, as it would be out there. */
typedef struct speaker {
  uint32_t token;
  uint32_t number;
  /* The endpoint's token in the last datagram in long form that went there. */
  uint32_t told_token;
  stream streams[FARDEL_CHANNELS];
  /* Largest MTU that it ever stated; 0: none. */
  uint16_t stated_mtu;
  /* Bytes that came from there, and that were sent there. */
  uint32_t heard_bytes;
  uint32_t sent_bytes;
  /* It has proved where it is, or the application wanted to talk to it. */
  int is_trusted;
} speaker;

/* Bits that are used up one by one, round and round. */
typedef struct dice {
  uint8_t bits;
  uint8_t at;
} dice;

typedef struct world {
  fardel_endpoint *endpoint;
  fardel_config config;
  void *memory;
  uint32_t now_us;
  uint32_t wait_us;
  int is_up;
  int has_inbox;
  fardel_inbox inbox;
  void *inbox_memory;
  uint32_t next_random;
  /* What the application and the link answer: see endpoint-fuzz.c, set_mood(). */
  dice answers;
  dice refusals;
  dice sends;
  uint8_t send_way;
  int callback_sends;
  parcel *parcels[PARCELS];
  coming coming[ADDRESSES][LANES];
  speaker speakers[ADDRESSES];
  /* By ticket. */
  uint8_t is_with_link[FARDEL_LINK_DEPTH_MAX];
  /* Datagrams handed over, and those that were not taken, since the last call into the library. */
  int taken;
  int refused;
  /* Of all bytes that arrived: they can be read. */
  uint32_t touched;
} world;

extern world it;

/* ---- endpoint-watch.c: the callbacks, and what they check */

void watch_callbacks(fardel_config *config);
void address_of(int who, uint8_t *address);
/* A look inside. NULL: nobody is known there. */
fardel_peer *peer_at(int who);
/* After each call into the library. */
void watch_peers(void);
/* @param way what kind of message; 0 to 255 @param size 0 to 255 */
void send_message(int who, uint8_t way, uint8_t size, uint8_t detail);
int with_link(void);
void expect_all_over(void);

/* ---- endpoint-speak.c */

void hear(int who, const uint8_t *datagram, size_t bytes);
/*
 * A datagram of a peer, with what only the peer would know put right.
 * @param is_proper it has the form that is right now; else the one that the input wants
 */
void speak(fuzz_input *in, int is_proper);
/* It has restarted: another token. */
void restart_speaker(int who);
/* Bytes of the input itself come from there: if they may be a HELLO, nothing is known of its MTU. */
void note_raw(int who, const uint8_t *bytes, size_t count);
/* Byte of the messages of peers. */
static inline uint8_t content(uint32_t offset) { return (uint8_t)(offset * 7); }

#endif
