/*
 * Image "station": bridge and station on one board, for a first try with nothing but one serial
 * port. The bridge's radio is a simulated air inside the board, and the station is all that is in
 * its reach.
 */
#include <string.h>

#include "board.h"
#include "fardel/bridge.h"
#include "fardel/fardel.h"
#include "frost-watch.h"

enum { HOST = 0, MTU = 250, RSSI = -52 };
enum { PEERS = 1, WINDOW = 8, BUFFERS = WINDOW - 1 };
enum { QUEUE = 4, HEARD = 8, TEXT_BYTES = 202 };
/* A radio with 1 Mbit/s, which takes one datagram at a time. */
enum { AIRTIME_FIXED_US = 896, AIRTIME_PER_BYTE_US = 8 };

#define WORDS(bytes) (((bytes) + sizeof(void *) - 1) / sizeof(void *))
static void *endpoint_memory[WORDS(FARDEL_BYTES(MTU, PEERS, BUFFERS))];
static void *bridge_memory[WORDS(
    FARDEL_BRIDGE_BYTES(MTU, FARDEL_ADDRESS_BYTES, QUEUE, 0, HEARD, TEXT_BYTES))];
static fardel_endpoint *endpoint;
static fardel_bridge *bridge;

static const uint8_t bridge_address[FARDEL_ADDRESS_BYTES] = {2, 0, 0, 0, 0, 1};
static const uint8_t station_address[FARDEL_ADDRESS_BYTES] = {2, 0, 0, 0, 0, 2};

/* ---- The air: a datagram each way. ---- */

typedef struct air_way {
  uint32_t over_us;
  uint16_t bytes;
  uint16_t ticket;
  uint8_t is_under_way;
  /* Nobody is at the address that it is for. */
  uint8_t is_lost;
  uint8_t datagram[MTU];
} air_way;

static air_way to_station;
static air_way to_bridge;

static int send(air_way *way, int is_lost, const uint8_t *datagram, uint16_t bytes,
                uint16_t ticket) {
  if (way->is_under_way) return -1;
  way->is_under_way = 1;
  way->is_lost = (uint8_t)is_lost;
  way->over_us = board_now_us() + AIRTIME_FIXED_US + (uint32_t)AIRTIME_PER_BYTE_US * bytes;
  way->bytes = bytes;
  way->ticket = ticket;
  memcpy(way->datagram, datagram, bytes);
  return 0;
}

/* @returns 1, once, when it is over */
static int has_ended(air_way *way, uint32_t now_us) {
  if (!way->is_under_way || (int32_t)(way->over_us - now_us) > 0) return 0;
  way->is_under_way = 0;
  return 1;
}

static void work_air(void) {
  uint32_t now_us = board_now_us();
  if (has_ended(&to_station, now_us)) {
    fardel_bridge_outcome(bridge, to_station.ticket,
                          to_station.is_lost ? FARDEL_BRIDGE_NOT_ACKNOWLEDGED
                                             : FARDEL_BRIDGE_ACKNOWLEDGED);
    if (!to_station.is_lost)
      fardel_datagram(endpoint, bridge_address, to_station.datagram, to_station.bytes, RSSI,
                      now_us);
  }
  if (has_ended(&to_bridge, now_us)) {
    fardel_outcome(endpoint, (uint8_t)to_bridge.ticket,
                   to_bridge.is_lost ? FARDEL_NOT_ACKNOWLEDGED : FARDEL_ACKNOWLEDGED, now_us);
    if (!to_bridge.is_lost)
      fardel_bridge_heard(bridge, station_address, to_bridge.datagram, to_bridge.bytes, RSSI);
  }
}

static uint32_t least(uint32_t one, uint32_t other) { return one < other ? one : other; }

static uint32_t air_wait_us(const air_way *way, uint32_t now_us) {
  if (!way->is_under_way) return FARDEL_NEVER;
  return (int32_t)(way->over_us - now_us) > 0 ? way->over_us - now_us : 0;
}

/* ---- The bridge ---- */

static int bridge_transmit(void *context, uint16_t ticket, const uint8_t *to,
                           const uint8_t *datagram, uint16_t bytes) {
  (void)context;
  int is_lost = memcmp(to, station_address, sizeof station_address) != 0;
  return send(&to_station, is_lost, datagram, bytes, ticket);
}

static const fardel_bridge_config bridge_config = {
    .address = bridge_address,
    .name = "frost watch station, emulated",
    .airtime_fixed_us = AIRTIME_FIXED_US,
    .airtime_per_byte_ns = 1000 * AIRTIME_PER_BYTE_US,
    .mtu_bytes = MTU,
    .text_bytes = TEXT_BYTES,
    .address_bytes = FARDEL_ADDRESS_BYTES,
    .queue = QUEUE,
    .heard = HEARD,
    .radio_depth = 1,
    .abilities = FARDEL_BRIDGE_TELLS_ACKNOWLEDGEMENT,
    .transmit = bridge_transmit,
};

static void from_port(void) {
  uint8_t bytes[64];
  size_t count;
  while ((count = uart_read(HOST, bytes, sizeof bytes)) > 0) {
    fardel_bridge_bytes_received(bridge, bytes, count, board_now_us());
    fardel_bridge_poll(bridge, board_now_us());
  }
}

static void to_port(void) {
  uint8_t bytes[64];
  for (;;) {
    size_t room = uart_room(HOST);
    size_t count = fardel_bridge_output(bridge, bytes, room < sizeof bytes ? room : sizeof bytes,
                                        board_now_us());
    if (count == 0) return;
    uart_write(HOST, bytes, count);
  }
}

/* ---- The station ---- */

static int station_transmit(void *context, const uint8_t *address, const uint8_t *datagram,
                            uint16_t bytes, uint8_t ticket) {
  (void)context;
  int is_lost = memcmp(address, bridge_address, sizeof bridge_address) != 0;
  return send(&to_bridge, is_lost, datagram, bytes, ticket);
}

static uint32_t draw(void *context) {
  (void)context;
  return board_random();
}

static const fardel_config endpoint_config = {
    .mtu_bytes = MTU,
    .peers = PEERS,
    .window = WINDOW,
    .buffers = BUFFERS,
    .link_depth = 1,
    .transmit = station_transmit,
    .random = draw,
    .receive = frost_watch_receive,
    .ended = frost_watch_ended,
    .session = frost_watch_session,
};

static void check(int result, const char *text) {
  if (result < 0) board_halt(text);
}

int main(void) {
  board_start();
  uint32_t now_us = board_now_us();
  int result = fardel_bridge_open(&bridge, bridge_memory, sizeof bridge_memory, &bridge_config,
                                  board_random() | 1, now_us);
  check(result, fardel_bridge_text(result));
  result =
      fardel_open(&endpoint, endpoint_memory, sizeof endpoint_memory, &endpoint_config, now_us);
  check(result, fardel_text(result));
  frost_watch_open(endpoint);
  for (;;) {
    from_port();
    work_air();
    uint32_t wait_us = frost_watch_work(board_now_us());
    wait_us = least(wait_us, fardel_poll(endpoint, board_now_us()));
    wait_us = least(wait_us, fardel_bridge_poll(bridge, board_now_us()));
    to_port();
    wait_us = least(wait_us, air_wait_us(&to_station, board_now_us()));
    board_sleep_us(least(wait_us, air_wait_us(&to_bridge, board_now_us())));
  }
}
