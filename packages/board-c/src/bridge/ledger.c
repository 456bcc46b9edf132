#include <string.h>

#include "parts.h"

/* Place of one of the last tokens; -1: it is not among them. */
static int place_of(const fardel_bridge *bridge, uint32_t number) {
  uint32_t back = bridge->next_number - number;
  if (back < 1 || back > bridge->config->queue) return -1;
  int place = bridge->next_place - (int)back;
  return place < 0 ? place + bridge->config->queue : place;
}

/* One of the last tokens is forgotten. */
static void forget(fardel_bridge *bridge, uint8_t token) {
  uint8_t at = 0;
  while (bridge->finished[at] != token) at++;
  if (at >= bridge->finished_count - bridge->untold) bridge->untold--;
  bridge->finished_count--;
  memmove(bridge->finished + at, bridge->finished + at + 1, (size_t)(bridge->finished_count - at));
}

/* The next token is used: the oldest one makes room, whether or not it is finished. */
static uint32_t issue(fardel_bridge *bridge) {
  uint8_t place = bridge->next_place;
  uint8_t queue = bridge->config->queue;
  if (bridge->outcomes[place]) forget(bridge, (uint8_t)(bridge->next_number - queue));
  bridge->outcomes[place] = 0;
  bridge->next_place = (uint8_t)(place + 1 == queue ? 0 : place + 1);
  return bridge->next_number++;
}

void fdb_reset_ledger(fardel_bridge *bridge) {
  memset(bridge->outcomes, 0, bridge->config->queue);
  bridge->finished_count = 0;
  bridge->untold = 0;
  bridge->next_number = 0;
}

int fdb_take_token(fardel_bridge *bridge, uint8_t token, uint32_t *number) {
  uint8_t lost = (uint8_t)(token - bridge->next_number);
  if (lost > bridge->config->queue) return -1;
  bridge->counts[COUNT_LOST_ON_LINE] += lost;
  for (; lost > 0; lost--) fdb_finish_token(bridge, issue(bridge), OUTCOME_LOST_ON_LINE);
  *number = issue(bridge);
  return 0;
}

void fdb_finish_token(fardel_bridge *bridge, uint32_t number, uint8_t outcome) {
  int place = place_of(bridge, number);
  if (place < 0) return;
  bridge->outcomes[place] = outcome;
  bridge->finished[bridge->finished_count++] = (uint8_t)number;
  bridge->untold++;
}

uint8_t *fdb_tell_outcomes(fardel_bridge *bridge, uint8_t *at, int is_asked) {
  int from = 0;
  int end = bridge->finished_count;
  if (is_asked) {
    bridge->untold = 0;
  } else {
    int fresh = bridge->untold < UNASKED_OUTCOMES_MAX ? bridge->untold : UNASKED_OUTCOMES_MAX;
    end -= bridge->untold - fresh;
    bridge->untold = (uint8_t)(bridge->untold - fresh);
    if (end > UNASKED_OUTCOMES_MAX) from = end - UNASKED_OUTCOMES_MAX;
  }
  for (int index = end; index-- > from;) {
    uint8_t token = bridge->finished[index];
    uint8_t back = (uint8_t)(bridge->next_number - token);
    *at++ = token;
    *at++ = bridge->outcomes[place_of(bridge, bridge->next_number - back)];
  }
  return at;
}
