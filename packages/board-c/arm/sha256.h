/**
 * @file
 * SHA-256 (FIPS 180-4) over bytes that come in pieces.
 */
#ifndef SHA256_H
#define SHA256_H

#include <stddef.h>
#include <stdint.h>

typedef struct sha256 {
  uint32_t state[8];
  uint32_t bytes;
  uint8_t block[64];
} sha256;

void sha256_begin(sha256 *digest);
/** @param count in all calls together less than 512 MB */
void sha256_add(sha256 *digest, const uint8_t *bytes, size_t count);
/** @param hash 32 bytes */
void sha256_end(sha256 *digest, uint8_t *hash);

#endif
