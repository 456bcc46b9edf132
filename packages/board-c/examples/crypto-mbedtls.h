/* The ciphers of a board that has this library; see crypto-mbedtls.c. */
#ifndef FARDEL_EXAMPLE_CRYPTO_MBEDTLS_H
#define FARDEL_EXAMPLE_CRYPTO_MBEDTLS_H

#include "fardel/crypto.h"

/** Random bytes that nobody can foresee, for blinding. @returns 0, or less */
typedef int (*crypto_random)(void *context, unsigned char *into, size_t count);

/** Fills in all functions of `crypto`. `source` must stay where it is. */
typedef struct crypto_source {
  crypto_random random;
  void *context;
} crypto_source;
void crypto_open(fardel_crypto *crypto, const crypto_source *source);

#endif
