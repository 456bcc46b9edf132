#include "digest.h"

#include <string.h>

#define BLOCK_BYTES 64
#define INNER 0x36
#define OUTER 0x5C

static void fill(uint8_t block[BLOCK_BYTES], const uint8_t *key, size_t key_bytes, uint8_t pad) {
  memset(block, pad, BLOCK_BYTES);
  for (size_t i = 0; i < key_bytes; i++) block[i] ^= key[i];
}

int fdl_hmac(const fardel_crypto *crypto, const uint8_t *key, size_t key_bytes, fardel_span *spans,
             uint8_t count, uint8_t digest[FARDEL_DIGEST_BYTES]) {
  uint8_t block[BLOCK_BYTES];
  uint8_t inner[FARDEL_DIGEST_BYTES];
  const fardel_span outer[] = {{block, sizeof block}, {inner, sizeof inner}};
  fill(block, key, key_bytes, INNER);
  spans[0] = outer[0];
  int result = crypto->sha256(crypto->context, spans, count, inner);
  fill(block, key, key_bytes, OUTER);
  if (result >= 0) result = crypto->sha256(crypto->context, outer, 2, digest);
  fdl_wipe(block, sizeof block);
  fdl_wipe(inner, sizeof inner);
  return result;
}

int fdl_expand(const fardel_crypto *crypto, const uint8_t prk[FARDEL_DIGEST_BYTES],
               fardel_span *info, uint8_t count, uint8_t *into, uint8_t bytes) {
  static const uint8_t first = 1;
  uint8_t block[FARDEL_DIGEST_BYTES];
  info[count - 1].bytes = &first;
  info[count - 1].count = 1;
  int result = fdl_hmac(crypto, prk, FARDEL_DIGEST_BYTES, info, count, block);
  memcpy(into, block, bytes);
  fdl_wipe(block, sizeof block);
  return result;
}

int fdl_is_equal(const uint8_t *one, const uint8_t *other, size_t count) {
  volatile uint8_t difference = 0;
  for (size_t i = 0; i < count; i++) difference |= one[i] ^ other[i];
  return difference == 0;
}

void fdl_wipe(void *bytes, size_t count) {
  volatile uint8_t *at = bytes;
  while (count-- > 0) *at++ = 0;
}
