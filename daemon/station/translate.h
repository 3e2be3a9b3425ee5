/* From the bench file's words to the protocol machine's: bench/ may not know plan/. */
#ifndef BRUNT_STATION_TRANSLATE_H
#define BRUNT_STATION_TRANSLATE_H

#include "daemon/bench/bench.h"
#include "daemon/plan/plan.h"

/* line_of[i]: the line of instrument i. Same kind and address: same line. */
void station_translate(const struct bench_plan *plan, const struct dialect *const dialects[], uint64_t seed, struct bench_setup *ret,
                       int line_of[INSTRUMENTS_MAX]);

#endif
