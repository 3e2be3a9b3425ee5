/* Bounded text. Nothing here allocates; what doesn't fit is refused whole or visibly cut. */
#ifndef BRUNT_BASE_TEXT_H
#define BRUNT_BASE_TEXT_H

#include <stdbool.h>
#include <stddef.h>

/* Copies all of `from` or, if it doesn't fit into `size` bytes with its NUL, leaves "" and returns false. */
bool text_copy(char *to, size_t size, const char *from);

/* Copies what fits; the last three characters become "..." where something was cut. For sentences, never for names. */
void text_cut(char *to, size_t size, const char *from);

/* printf behind what stands there already; cut at the end. Returns false if something was cut. */
bool text_add(char *to, size_t size, const char *format, ...) __attribute__((format(printf, 3, 4)));

/* Plain decimal, no exponent, no suffix, trailing zeros and point dropped: what an instrument gets as a set-point.
 * decimals: 0 to 9. value: |value| < 1e9 (else false and ""). NaN and infinities: false and "". */
bool text_decimal(char *to, size_t size, double value, int decimals);

/* Whole text as a finite double in the C locale's form, nothing before or behind it. */
bool text_to_double(const char *text, double *ret);

/* Whole text as an integer within [min, max]. */
bool text_to_int64(const char *text, long long min, long long max, long long *ret);

/* Letters, digits, '-', '_' and '.', not starting with '.' or '-', 1 to 63 long: safe as a file name and in a message. */
bool text_is_name(const char *text);

/* Makes bytes printable: \r \n \t and \xNN. Cut at the end. For showing what an instrument said. */
void text_printable(char *to, size_t size, const void *bytes, size_t len);

#endif
