/* Building messages: templates filled in, mnemonics shortened, queries joined. Pure text. */
#ifndef BRUNT_BENCH_MESSAGE_H
#define BRUNT_BENCH_MESSAGE_H

#include "daemon/bench/dialect_inside.h"

enum { CHANNEL_LEFT_OUT = 0 };

/* Fills a template. Places: {channel} (1...; CHANNEL_LEFT_OUT: nothing stands there), {value} (see `value`).
 * false: it doesn't fit, or a place has nothing to stand there. */
bool message_fill(char *to, size_t size, const char *form, int channel, const char *value);

/* A number as an instrument gets it: our unit converted, plain decimal, no exponent, no suffix. */
bool message_number(char *to, size_t size, const struct command *command, double value);

/* Shortens the mnemonics of the header in place: "MEASure{channel}:VOLTage?" to "MEAS{channel}:VOLT?". Capitals must be
 * what the standard's rule gives (up to 4 letters whole, else 4, or 3 where the 4th is a vowel); headers without small
 * letters stay. NULL: done; else the mnemonic's right short form (in `right`) is what the file should have had. */
const char *message_shorten(char *form, char *right, size_t right_size);

/* first + separator + second, the second header cut as the path rule allows. false: the dialect has no compound
 * messages or it's too long. */
bool message_join(char *to, size_t size, const struct dialect *dialect, const char *first, const char *second);

/* The end of a message: "\n", "\r" or "\r\n". */
const char *message_end(const struct dialect *dialect);

#endif
