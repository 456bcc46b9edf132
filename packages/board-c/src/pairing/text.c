#include "fardel/pairing.h"

const char *fardel_pairing_text(int reason) {
  static const char *const texts[] = {
      "Both sides have the key.",
      "The board is not in pairing mode: press its button, and try again.",
      "The board is pairing with somebody else: wait ten seconds, and try again.",
      "This way of pairing is not open: choose another one, or open it on the board.",
      "The code was wrong, or somebody stands between the two sides: read the label again, and try again.",
      "A person refused.",
      "The pairing was given up, or the key could not be stored.",
      "It took too long: are both switched on, and in range? Try again.",
      "The other side has restarted: try again.",
  };
  if (reason < 0 || reason >= (int)(sizeof texts / sizeof texts[0])) return "Unknown reason.";
  return texts[reason];
}
