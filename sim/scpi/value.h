/* Parameters of a program message: numbers with suffix, keywords, booleans, channel lists. PURE. */
#ifndef BRUNT_SIM_SCPI_VALUE_H
#define BRUNT_SIM_SCPI_VALUE_H

#include <stdbool.h>
#include <stddef.h>

enum value_kind { VALUE_NUMBER, VALUE_MINIMUM, VALUE_MAXIMUM, VALUE_DEFAULT, VALUE_WORD };

struct value {
    enum value_kind kind;
    double number;
};

/* text: one parameter without white space around it. unit: "A", "V", "OHM", "W", "S", "A/S" or "" (none allowed). 0, or
 * an SCPI error number: -104 wrong type, -121 bad number, -123 exponent beyond 32000, -124 more than 255 digits, -131
 * unknown suffix, -134 suffix too long, -138 suffix where none belongs. INFinity, NINF and NAN come as numbers. Suffix
 * multipliers: IEEE 488.2 table 7-2, M before OHM is mega. */
int value_number(const char *text, size_t len, const char *unit, struct value *ret);

/* ON, OFF or a number, which counts as on if it rounds to anything but 0. */
int value_boolean(const char *text, size_t len, bool *ret);

/* "(@1,3:5)" into marks[0..max-1], counted from 1. order of mention is kept in ret[]; -222 beyond max, -171 malformed.
 */
int value_channels(const char *text, size_t len, size_t max, size_t ret[], size_t ret_len, size_t *ret_count);

#endif
