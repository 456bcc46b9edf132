/* A bridge with all that is around it, for bridge-fuzz.c: a radio, a serial line, and a host. */
#ifndef FARDEL_BRIDGE_WORLD_H
#define FARDEL_BRIDGE_WORLD_H

#include <string.h>

#include "../../src/bridge/parts.h"
#include "../../src/checksum.h"
#include "fuzz.h"

enum { CRC_BYTES = 2, FRAME_BYTES_MAX = 1600, HEARD_MAX = 1024, NUMBERED = 4 };

/* A datagram that is with the radio: where the bridge keeps its bytes, and what they were. */
typedef struct aired {
  uint16_t ticket;
  uint16_t bytes;
  uint32_t silent_us;
  const uint8_t *lies;
  uint8_t *copy;
  uint8_t to[FARDEL_BRIDGE_ADDRESS_MAX];
} aired;

/* A datagram that the radio has heard and the bridge has taken. */
typedef struct heard {
  int8_t rssi_dbm;
  uint8_t from;
  uint8_t length;
} heard;

typedef struct world {
  fardel_bridge *bridge;
  fardel_bridge_config config;
  void *memory;
  uint32_t now_us;
  uint8_t address[FARDEL_BRIDGE_ADDRESS_MAX];
  char name[FARDEL_BRIDGE_NAME_MAX + 1];
  /* Bits that say what the radio answers, used up one by one: see bridge-fuzz.c, set_mood(). */
  uint8_t moods[4];
  uint8_t rolls[4];
  aired aired[FARDEL_BRIDGE_QUEUE_MAX];
  uint8_t table[UINT8_MAX][FARDEL_BRIDGE_ADDRESS_MAX];
  int table_count;
  heard heard[HEARD_MAX];
  int heard_first;
  int heard_end;
  /* What has come from the line since the last delimiter, as it came. */
  uint8_t line[2 * FRAME_BYTES_MAX];
  size_t line_length;
  /* Of the last RECEIVED. */
  uint8_t implied_from[FARDEL_BRIDGE_ADDRESS_MAX];
} world;

extern world it;

/* What the radio may do otherwise than well. */
enum { MOOD_REFUSE, MOOD_AT_ONCE, MOOD_FULL_TABLE, MOOD_CHANNEL };

/* ---- bridge-watch.c */

void watch_callbacks(fardel_bridge_config *config);
void numbered_address(uint8_t number, uint8_t *address);
uint8_t numbered_byte(uint8_t from, uint8_t length);
/* After each call. */
void watch_bridge(void);
/* The radio is done with one of those that are with it, or with nothing: `place` 0 to 63. */
void finish_aired(uint8_t place, int outcome);
/* So much time has passed: the bridge gives up what the radio is silent about. */
void give_up_aired(uint32_t silent_us);
/* A byte on the line to the host. */
void watch_line(uint8_t byte);

/* ---- bridge-fuzz.c has the rest */

#endif
