/*
 * Makes a pseudo-terminal pass for a serial port, so that the libserialport maker is tested without hardware. Linked into the test program,
 * these definitions win over those of libc. Off until switched on. What a pty can't show (parity, 7 bits, real modem lines, speed) a test
 * on the emulated machine shows.
 */
#ifndef TESTS_LINKS_WITH_PTY_AS_SERIAL_H
#define TESTS_LINKS_WITH_PTY_AS_SERIAL_H

#include <stdbool.h>

void pty_as_serial(bool on);
void pty_as_serial_without_flow_control(bool on); /* the driver drops CRTSCTS and says nothing: many do */
int pty_as_serial_modem_lines(void);              /* TIOCM_... as last set */

#endif
