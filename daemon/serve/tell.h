/*
 * Sentences to standard error that never hold up the loop: what can't be written now is dropped and counted. Lines get the service manager's "<N>" prefix unless standard error is a terminal.
 */
#ifndef BRUNT_SERVE_TELL_H
#define BRUNT_SERVE_TELL_H

enum tell_level { TELL_ERROR = 3, TELL_WARNING = 4, TELL_NOTICE = 5, TELL_INFO = 6 }; /* syslog's numbers */

struct tell;
struct tell *tell_new(int fd); /* usually 2; borrowed. NULL: no memory; tell() takes it and drops */
void tell_free(struct tell *tell);
void tell(struct tell *tell, enum tell_level level, const char *format, ...) __attribute__((format(printf, 3, 4)));

#endif
