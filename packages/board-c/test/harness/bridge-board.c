/*
 * A board for examples/bridge.c that is a process: the port is standard input and output, a few bytes at a
 * time, and the radio hears from each address what was sent there. It ends when the port is closed, and
 * aborts when the bridge breaks a rule of its radio.
 */
#define _POSIX_C_SOURCE 200809L
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

/* The example is part of this file: its functions of the board have no header of their own. */
#include "../../examples/bridge.c"

enum { TABLE = PEERS, ROOM = 7 };

static uint8_t table[TABLE][ADDRESS_BYTES];
static int known;
static board_heard echo;
/* 0: idle; 1: a datagram is under way; 2: it has left, and is heard. */
static int radio;

static void rule(int is_kept) {
  if (!is_kept) abort();
}

static int find(const uint8_t *address) {
  for (int index = 0; index < known; index++) {
    if (memcmp(table[index], address, ADDRESS_BYTES) == 0) return index;
  }
  return -1;
}

void board_start(void) { fputs("boot: frost watch bridge\r\n", stdout); }

uint32_t board_now_us(void) {
  struct timespec now;
  clock_gettime(CLOCK_MONOTONIC, &now);
  return (uint32_t)((uint64_t)now.tv_sec * 1000000u + (uint64_t)now.tv_nsec / 1000u);
}

uint32_t board_incarnation(void) { return (uint32_t)getpid(); }

void board_sleep_us(uint32_t us) {
  struct pollfd port = {.fd = STDIN_FILENO, .events = POLLIN, .revents = 0};
  fflush(stdout);
  poll(&port, 1, radio ? 0 : (int)(us / 1000 + 1));
}

void board_halt(const char *why) {
  fputs(why, stderr);
  exit(1);
}

size_t board_port_read(uint8_t *into, size_t max) {
  struct pollfd port = {.fd = STDIN_FILENO, .events = POLLIN, .revents = 0};
  if (poll(&port, 1, 0) <= 0) return 0;
  ssize_t count = read(STDIN_FILENO, into, max < ROOM ? max : ROOM);
  if (count <= 0) exit(0);
  return (size_t)count;
}

size_t board_port_room(void) { return ROOM; }

void board_port_write(const uint8_t *bytes, size_t count) {
  rule(count <= ROOM);
  fwrite(bytes, 1, count, stdout);
}

void board_radio_address(uint8_t *address) {
  static const uint8_t own[ADDRESS_BYTES] = {2, 0, 0, 0, 0, 0xb1};
  memcpy(address, own, sizeof own);
}

uint8_t board_radio_channel(void) { return 6; }

int board_radio_send(const uint8_t *to, const uint8_t *datagram, uint16_t bytes) {
  rule(radio == 0 && find(to) >= 0 && bytes <= MTU_BYTES);
  memcpy(echo.from, to, ADDRESS_BYTES);
  memcpy(echo.bytes, datagram, bytes);
  echo.count = bytes;
  echo.rssi_dbm = -60;
  radio = 1;
  return 0;
}

int board_radio_outcome(void) {
  if (radio != 1) return 0;
  radio = 2;
  return FARDEL_BRIDGE_ACKNOWLEDGED;
}

int board_radio_heard(board_heard *heard) {
  if (radio != 2) return 0;
  *heard = echo;
  radio = 0;
  return 1;
}

int board_radio_put_in(const uint8_t *address) {
  rule(known < TABLE && find(address) < 0);
  memcpy(table[known++], address, ADDRESS_BYTES);
  return 0;
}

void board_radio_put_out(const uint8_t *address) {
  int index = find(address);
  rule(index >= 0);
  known--;
  memmove(table[index], table[index + 1], (size_t)(known - index) * ADDRESS_BYTES);
}

int board_radio_set_channel(uint8_t channel) { return channel <= 13 ? 0 : -1; }
