/*
 * The endpoint under arbitrary inputs: each is a config, then operations, one byte each with what belongs
 * to it behind. endpoint-watch.c holds what comes of them against fardel.h.
 */
#include "endpoint-world.h"

enum { POLLS_MAX = 4, SETTLE_POLLS_MAX = 6000 };

static void open_world(fuzz_input *in) {
  static const uint16_t mtus[] = {250, 64, 20, 21, 30};
#ifdef FARDEL_ONE_PEER
  static const uint8_t peers[] = {1, 1, 1, 1};
#else
  static const uint8_t peers[] = {1, 3, 2, 1};
#endif
  static const uint8_t windows[] = {8, 1, FARDEL_WINDOW_MAX, 3};
  static const uint8_t buffers[] = {7, 0, 1, 30};
  static const uint32_t maxima[] = {0, 0, 60, 1000};
  static const uint32_t times[] = {0, 0xFFFFF000u, 0x7FFFF000u, 12345};
  uint8_t first = fuzz_byte(in);
  uint8_t second = fuzz_byte(in);
  fardel_config *config = &it.config;
  memset(&it, 0, sizeof it);
  it.now_us = times[second >> 6];
  it.next_random = second & 0x20 ? 0xFFF8FFF8u : second & 0x10 ? 0x00080000u : 0x7FFF7FFFu;
  it.is_up = 1;
  watch_callbacks(config);
  config->mtu_bytes = mtus[(first & 15) % 5];
  config->peers = peers[first >> 4 & 3];
  config->buffers = buffers[first >> 6];
  config->window = windows[second & 3];
  config->link_depth = (uint8_t)(1 + (second >> 2 & 3));
  config->message_bytes_max = maxima[(first >> 4 & 3) ^ (second & 3)];
  size_t bytes = fardel_bytes(config);
  it.memory = malloc(bytes);
  EXPECT(fardel_open(&it.endpoint, it.memory, bytes - 1, config, 0) == FARDEL_NO_MEMORY,
         "an endpoint is not opened in too little memory");
  EXPECT(fardel_open(&it.endpoint, it.memory, bytes, config, it.now_us) == FARDEL_OK,
         "an endpoint is opened in as much as it needs");
  for (int who = 0; who < ADDRESSES; who++) restart_speaker(who);
}

/* Any size may be asked for; with a right one, everything goes through it from now on. */
static void open_inbox(fuzz_input *in) {
  uint8_t slots = fuzz_byte(in);
  uint16_t mtu_bytes = slots & 1 ? it.config.mtu_bytes : fuzz_u16(in);
  slots >>= 1;
  size_t bytes = FARDEL_INBOX_BYTES(mtu_bytes, slots);
  void *memory = malloc(bytes + 1);
  fardel_inbox inbox;
  int result = fardel_inbox_open(&inbox, memory, bytes, mtu_bytes, slots);
  int is_possible = slots >= 1 && mtu_bytes >= FARDEL_MTU_MIN && mtu_bytes <= FARDEL_MTU_MAX;
  EXPECT(result == (is_possible ? FARDEL_OK : FARDEL_INVALID), "an inbox has its limits");
  if (is_possible)
    EXPECT(fardel_inbox_open(&inbox, memory, bytes - 1, mtu_bytes, slots) == FARDEL_NO_MEMORY,
           "an inbox is not opened in too little memory");
  free(memory);
  if (!is_possible || it.has_inbox || mtu_bytes != it.config.mtu_bytes) return;
  it.inbox_memory = malloc(bytes);
  it.has_inbox =
      fardel_inbox_open(&it.inbox, it.inbox_memory, bytes, mtu_bytes, slots) == FARDEL_OK;
}

static void drain_inbox(void) {
  if (!it.has_inbox) return;
  fardel_inbox_drain(&it.inbox, it.endpoint, it.now_us);
  watch_peers();
  EXPECT(it.inbox.read == it.inbox.written, "an inbox is empty when it was emptied");
}

static void poll(void) {
  int left = POLLS_MAX;
  drain_inbox();
  do {
    int sends = it.callback_sends;
    EXPECT(left-- > 0, "fardel_poll() does what is due");
    it.wait_us = fardel_poll(it.endpoint, it.now_us);
    watch_peers();
    /* With nothing new, time must go on in the end; but a callback may have sent something. */
    if (it.callback_sends > sends) left = POLLS_MAX;
  } while (it.wait_us == 0);
}

static void pass(uint32_t us) {
  it.now_us += us;
  poll();
}

static void report(uint8_t ticket, int outcome) {
  if (ticket < FARDEL_LINK_DEPTH_MAX) it.is_with_link[ticket] = 0;
  if (it.has_inbox && ticket < 16)
    fardel_inbox_outcome(&it.inbox, ticket, outcome);
  else
    fardel_outcome(it.endpoint, ticket, outcome, it.now_us);
  drain_inbox();
  watch_peers();
}

static void report_first(int outcome) {
  uint8_t ticket = 0;
  while (ticket < FARDEL_LINK_DEPTH_MAX && !it.is_with_link[ticket]) ticket++;
  if (ticket < FARDEL_LINK_DEPTH_MAX) report(ticket, outcome);
}

/* What is there to be sent now comes to an end, if the link takes everything. */
static void settle(int outcome) {
  int left = SETTLE_POLLS_MAX;
  it.refusals.bits = 0;
  do {
    EXPECT(--left > 0, "without news there is an end to what is sent");
    while (with_link() > 0) report_first(outcome);
    poll();
  } while (with_link() > 0);
}

static void set_mood(fuzz_input *in) {
  uint8_t which = fuzz_byte(in);
  uint8_t bits = fuzz_byte(in);
  dice *of = which & 1 ? &it.answers : which & 2 ? &it.refusals : &it.sends;
  of->bits = bits;
  if (of == &it.sends) it.send_way = which;
}

static void cancel(fuzz_input *in) {
  uint8_t place = fuzz_choice(in, PARCELS);
  fardel_message nowhere;
  memset(&nowhere, 0, sizeof nowhere);
  fardel_message *message = it.parcels[place] ? &it.parcels[place]->message : &nowhere;
  if (message != &nowhere) {
    uint8_t address[FARDEL_ADDRESS_BYTES];
    address_of(0, address);
    EXPECT(fardel_send(it.endpoint, address, message, it.now_us) == FARDEL_IN_USE,
           "a message is sent once at a time");
  }
  fardel_cancel(it.endpoint, message, it.now_us);
  watch_peers();
}

static void leave(int who, int for_good) {
  uint8_t address[FARDEL_ADDRESS_BYTES];
  fardel_peer_info info;
  address_of(who, address);
  if (for_good)
    fardel_forget(it.endpoint, address, it.now_us);
  else
    fardel_close(it.endpoint, address, it.now_us);
  watch_peers();
  int result = fardel_peer_at(it.endpoint, address, &info);
  EXPECT(result == (peer_at(who) ? FARDEL_OK : FARDEL_NO_PEER), "it knows whom it knows");
  EXPECT(result != FARDEL_OK || !info.is_open, "a closed session is not open");
}

static void set_link(int is_up) {
  it.is_up = is_up;
  fardel_link(it.endpoint, is_up, it.now_us);
  watch_peers();
}

static void hear_raw(fuzz_input *in) {
  uint8_t who = fuzz_choice(in, ADDRESSES);
  size_t count = fuzz_byte(in);
  if (count == UINT8_MAX) count = 2000;
  uint8_t *bytes = fuzz_bytes(in, &count);
  note_raw(who, bytes, count);
  hear(who, bytes, count);
  free(bytes);
}

static void operate(fuzz_input *in) {
  static const uint32_t steps[] = {1,       100,     1000,     3000,     10000,    25000,   50000,
                                   200000,  1000000, 5000000,  10000000, 30000000, 61000000, 0,
                                   2500000, 900000000};
  uint8_t what = fuzz_byte(in);
  uint8_t value = what >> 4;
  FUZZ_SAY("%u: operation %u, %u\n", it.now_us, what & 15, value);
  switch (what & 15) {
    case 0: speak(in, 0); break;
    case 1: speak(in, 1); break;
    case 2: hear_raw(in); break;
    case 3: poll(); break;
    case 4: pass(steps[value]); break;
    case 5: pass(it.wait_us < 120000000u ? it.wait_us : 1000); break;
    case 6: report_first(value & 3); break;
    case 7: report(value & 7, fuzz_byte(in)); break;
    case 8:
    case 9: {
      uint8_t way = fuzz_byte(in);
      uint8_t size = fuzz_byte(in);
      send_message(value % ADDRESSES, way, size, fuzz_byte(in));
      watch_peers();
      break;
    }
    case 10:
      if (value & 8) cancel(in);
      else fardel_resume(it.endpoint, it.now_us);
      watch_peers();
      break;
    case 11: leave(value % ADDRESSES, value >= ADDRESSES); break;
    case 12:
      if (value & 1) set_link(value & 2);
      else open_inbox(in);
      break;
    case 13: set_mood(in); break;
    case 14: settle(value % 3); break;
    default: restart_speaker(value % ADDRESSES);
  }
}

/* Everything is closed: every message ends, and whatever was arriving breaks or is whole. */
static void close_world(void) {
  FUZZ_SAY("%u: the end\n", it.now_us);
  it.answers.bits = it.refusals.bits = it.sends.bits = 0;
  set_link(1);
  drain_inbox();
  fardel_resume(it.endpoint, it.now_us);
  watch_peers();
  for (int who = 0; who < ADDRESSES; who++) leave(who, 1);
  poll();
  expect_all_over();
  while (with_link() > 0) report_first(FARDEL_LEFT);
  pass(1000000);
  EXPECT(it.wait_us == FARDEL_NEVER, "nothing is to be done when nobody is known");
  free(it.inbox_memory);
  free(it.memory);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
  fuzz_input in = {data, data + size};
  open_world(&in);
  while (!fuzz_is_empty(&in)) operate(&in);
  close_world();
  return 0;
}
