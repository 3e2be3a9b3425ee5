/* A small good set of files, one of which a test spoils in one place; and the ways in which a plan is read from them. */
#ifndef BRUNT_TESTS_PLAN_WITH_FILES_H
#define BRUNT_TESTS_PLAN_WITH_FILES_H

#include "daemon/plan/plan.h"

enum file_kind { FILE_BENCH, FILE_SUPPLY, FILE_PROFILE, FILE_KINDS };

enum { FILE_TEXT_SIZE = 8192 };

struct files {
    char text[FILE_KINDS][FILE_TEXT_SIZE];
};

extern const char *const file_names[FILE_KINDS]; /* "bench.cfg" ... */

void files_good(struct files *ret);
/* Puts `to` in the place of `from`, which must stand there exactly once. */
void files_spoil(struct files *files, enum file_kind kind, const char *from, const char *to);

/* Reads all three, joins and checks, libconfig all the way: what the client does. */
int files_read(const struct files *files, struct test_plan *ret, struct error *err);
/* Supply and profile through JSON text and back, bench through libconfig or, bench_too, through JSON as well: what the daemon does. */
int files_read_json(const struct files *files, bool bench_too, struct test_plan *ret, struct error *err);

#endif
