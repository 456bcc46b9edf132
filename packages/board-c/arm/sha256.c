#include "sha256.h"

#include <string.h>

/* FIPS 180-4, sections 4.2.2 and 5.3.3. */
static const uint32_t constants[64] = {
    0x428a2f98, 0x71374491, 0xb5c0fbcf, 0xe9b5dba5, 0x3956c25b, 0x59f111f1, 0x923f82a4, 0xab1c5ed5,
    0xd807aa98, 0x12835b01, 0x243185be, 0x550c7dc3, 0x72be5d74, 0x80deb1fe, 0x9bdc06a7, 0xc19bf174,
    0xe49b69c1, 0xefbe4786, 0x0fc19dc6, 0x240ca1cc, 0x2de92c6f, 0x4a7484aa, 0x5cb0a9dc, 0x76f988da,
    0x983e5152, 0xa831c66d, 0xb00327c8, 0xbf597fc7, 0xc6e00bf3, 0xd5a79147, 0x06ca6351, 0x14292967,
    0x27b70a85, 0x2e1b2138, 0x4d2c6dfc, 0x53380d13, 0x650a7354, 0x766a0abb, 0x81c2c92e, 0x92722c85,
    0xa2bfe8a1, 0xa81a664b, 0xc24b8b70, 0xc76c51a3, 0xd192e819, 0xd6990624, 0xf40e3585, 0x106aa070,
    0x19a4c116, 0x1e376c08, 0x2748774c, 0x34b0bcb5, 0x391c0cb3, 0x4ed8aa4a, 0x5b9cca4f, 0x682e6ff3,
    0x748f82ee, 0x78a5636f, 0x84c87814, 0x8cc70208, 0x90befffa, 0xa4506ceb, 0xbef9a3f7, 0xc67178f2,
};
static const uint32_t initial[8] = {
    0x6a09e667, 0xbb67ae85, 0x3c6ef372, 0xa54ff53a, 0x510e527f, 0x9b05688c, 0x1f83d9ab, 0x5be0cd19,
};

static uint32_t turn(uint32_t word, int bits) { return word >> bits | word << (32 - bits); }

static uint32_t word_at(const uint8_t *bytes) {
  return (uint32_t)bytes[0] << 24 | (uint32_t)bytes[1] << 16 | (uint32_t)bytes[2] << 8 | bytes[3];
}

/* Section 6.2.2. Of the 64 words of the schedule only the last 16 are kept. */
static void add_block(uint32_t *state, const uint8_t *block) {
  uint32_t words[16];
  uint32_t v[8];
  memcpy(v, state, sizeof v);
  for (int round = 0; round < 64; round++) {
    uint32_t *word = &words[round % 16];
    if (round < 16) {
      *word = word_at(block + 4 * round);
    } else {
      uint32_t early = words[(round + 1) % 16];
      uint32_t late = words[(round + 14) % 16];
      *word += words[(round + 9) % 16] + (turn(early, 7) ^ turn(early, 18) ^ early >> 3) +
               (turn(late, 17) ^ turn(late, 19) ^ late >> 10);
    }
    uint32_t one = v[7] + (turn(v[4], 6) ^ turn(v[4], 11) ^ turn(v[4], 25)) +
                   ((v[4] & v[5]) ^ (~v[4] & v[6])) + constants[round] + *word;
    uint32_t two = (turn(v[0], 2) ^ turn(v[0], 13) ^ turn(v[0], 22)) +
                   ((v[0] & v[1]) ^ (v[0] & v[2]) ^ (v[1] & v[2]));
    memmove(v + 1, v, 7 * sizeof v[0]);
    v[4] += one;
    v[0] = one + two;
  }
  for (int index = 0; index < 8; index++) state[index] += v[index];
}

void sha256_begin(sha256 *digest) {
  memcpy(digest->state, initial, sizeof initial);
  digest->bytes = 0;
}

void sha256_add(sha256 *digest, const uint8_t *bytes, size_t count) {
  while (count-- > 0) {
    digest->block[digest->bytes++ % sizeof digest->block] = *bytes++;
    if (digest->bytes % sizeof digest->block == 0) add_block(digest->state, digest->block);
  }
}

/* Section 5.1.1: a bit, zeros, and the length in bits. */
void sha256_end(sha256 *digest, uint8_t *hash) {
  static const uint8_t mark = 0x80;
  static const uint8_t zero = 0;
  uint32_t bits = 8 * digest->bytes;
  uint8_t length[8] = {0};
  for (int index = 0; index < 4; index++) length[4 + index] = (uint8_t)(bits >> (24 - 8 * index));
  sha256_add(digest, &mark, 1);
  while (digest->bytes % sizeof digest->block != sizeof digest->block - sizeof length)
    sha256_add(digest, &zero, 1);
  sha256_add(digest, length, sizeof length);
  for (int index = 0; index < 32; index++)
    hash[index] = (uint8_t)(digest->state[index / 4] >> (24 - 8 * (index % 4)));
}
