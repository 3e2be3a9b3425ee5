/*
 * Sentences to standard error that never hold up the loop: what can't be written now is dropped and counted. Lines get the service manager's "<N>" prefix unless standard error is a terminal.
 */
#ifndef BRUNT_SERVE_SAY_H
#define BRUNT_SERVE_SAY_H

enum say_level { SAY_ERROR = 3, SAY_WARNING = 4, SAY_NOTICE = 5, SAY_INFO = 6 }; /* syslog's numbers */

struct say;
struct say *say_new(int fd); /* usually 2; borrowed. NULL: no memory; say() takes it and drops */
void say_free(struct say *say);
void say(struct say *say, enum say_level level, const char *format, ...) __attribute__((format(printf, 3, 4)));

#endif
