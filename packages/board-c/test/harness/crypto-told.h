/* The ciphers of a harness: those of the test, or with HARNESS_MBEDTLS those of examples/crypto-mbedtls.c. */
#ifndef FARDEL_HARNESS_CRYPTO_H
#define FARDEL_HARNESS_CRYPTO_H

#include "fardel/crypto.h"

/* What the test is called back for; its answer has the bytes of the result, or is less than 0. */
enum {
  /* All spans, one behind the other. */
  TOLD_SHA256 = 100,
  /* (bytes of text) Key, nonce, text, head. Answers text and tag. */
  TOLD_SEAL,
  /* (bytes of text) Key, nonce, text, tag, head. Answers the text. */
  TOLD_OPEN,
  /* Scalar, point. */
  TOLD_X25519,
  /* w, scalar. */
  TOLD_SPAKE2_SHARE,
  /* w, scalar, share. */
  TOLD_SPAKE2_SECRET
};

void harness_crypto(fardel_crypto *crypto);

#endif
