/* Small worlds for the tests of this folder. */
#ifndef BRUNT_TESTS_WORLD_WITH_WORLD_H
#define BRUNT_TESTS_WORLD_WITH_WORLD_H

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>
#include <cmocka.h>

#include "sim/world/world.h"

/* A USB-C port of 5/9/20 V and a fixed one of 12 V, plain enough to calculate by hand: no drift, no error, no board;
 * `more` goes into the port. */
struct world *usb_c_world(const char *more);
struct world *fixed_world(const char *more);
struct world *text_world(const char *text, uint64_t seed); /* the whole group; fails the test on a refusal */

void pass_s(struct world *w, double seconds);
struct world_truth truth_of(const struct world *w, size_t port);
double shown_volts(struct world *w, size_t channel);
double shown_amps(struct world *w, size_t channel);
void draw(struct world *w, size_t channel, double amps); /* set-point, then input on */
void settle_at(struct world *w, size_t port, double volts);

#define assert_near(is, want, within) assert_near_at(is, want, within, #is, __FILE__, __LINE__)
void assert_near_at(double is, double want, double within, const char *what, const char *file, int line);

#endif
