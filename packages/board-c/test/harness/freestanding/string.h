/* The four functions that the library uses, where there is no C library: harness/wasm.c has them. */
#ifndef FARDEL_FREESTANDING_STRING_H
#define FARDEL_FREESTANDING_STRING_H

#include <stddef.h>

void *memcpy(void *to, const void *from, size_t count);
void *memmove(void *to, const void *from, size_t count);
void *memset(void *to, int value, size_t count);
int memcmp(const void *one, const void *other, size_t count);

#endif
