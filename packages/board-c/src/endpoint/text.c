#include "fardel/fardel.h"

const char *fardel_text(int result) {
  static const char *const texts[] = {
      "This is done.",
      "The message has arrived whole.",
      "The message has left; whether it arrives is not known.",
      "A newer value was sent before this one was acknowledged.",
  };
  static const char *const errors[] = {
      "",
      "An argument is out of its range: see fardel.h.",
      "The block of memory is too small: fardel_bytes() says how much is needed.",
      "All peers are in use: forget one, or configure more.",
      "This message is still being sent: wait for its end.",
      "The message is too large for this link: send it in parts.",
      "The deadline passed before the message was acknowledged.",
      "The message was cancelled here.",
      "The peer does not take this message.",
      "The message arrived damaged again and again: look for the fault on the link.",
      "The peer has restarted: whether the message arrived is not known. Send it again if it may come twice.",
      "Nothing was heard from the peer for 30 seconds: is it switched on, and in range?",
      "The peer has ended the session.",
      "The bytes of the message could not be read.",
#ifdef FARDEL_PROTECTED
      "The key of this peer was revoked: pair with it again if you want to speak to it.",
#endif
  };
  if (result >= 0 && result < (int)(sizeof texts / sizeof texts[0])) return texts[result];
  if (result < 0 && result > -(int)(sizeof errors / sizeof errors[0])) return errors[-result];
  return "Unknown result.";
}
