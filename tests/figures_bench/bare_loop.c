/*
 * What this computer permits at all: the shortest compound query and its answer in a loop, with nothing else around it.
 * bare_loop PTY|HOST:PORT SECONDS QUERY. Prints samples a second, and microseconds of processor time a sample.
 */
#include <arpa/inet.h>
#include <fcntl.h>
#include <netinet/tcp.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/socket.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

static double now_s(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + (double)now.tv_nsec * 1e-9;
}

static double processor_s(void)
{
    struct rusage used;
    getrusage(RUSAGE_SELF, &used);
    return (double)(used.ru_utime.tv_sec + used.ru_stime.tv_sec) + (double)(used.ru_utime.tv_usec + used.ru_stime.tv_usec) * 1e-6;
}

static int open_pty(const char *path)
{
    struct termios settings;
    int fd = open(path, O_RDWR | O_NOCTTY);
    if (fd < 0 || tcgetattr(fd, &settings) < 0)
        return -1;
    cfmakeraw(&settings);
    return tcsetattr(fd, TCSANOW, &settings) < 0 ? -1 : fd;
}

static int open_tcp(const char *host, int port)
{
    struct sockaddr_in at = {.sin_family = AF_INET, .sin_port = htons((uint16_t)port)};
    int fd = socket(AF_INET, SOCK_STREAM, 0), yes = 1;
    if (fd < 0 || inet_pton(AF_INET, host, &at.sin_addr) != 1 || connect(fd, (struct sockaddr *)&at, sizeof at) < 0)
        return -1;
    setsockopt(fd, IPPROTO_TCP, TCP_NODELAY, &yes, sizeof yes);
    return fd;
}

static int open_line(char *address)
{
    char *colon = address[0] == '/' ? NULL : strrchr(address, ':');
    if (!colon)
        return open_pty(address);
    *colon = '\0';
    return open_tcp(address, atoi(colon + 1));
}

static int ask(int fd, const char *query, size_t len)
{
    char answer[256];
    size_t got = 0;
    if (write(fd, query, len) != (ssize_t)len)
        return -1;
    while (got == 0 || answer[got - 1] != '\n') {
        ssize_t n = got < sizeof answer ? read(fd, answer + got, sizeof answer - got) : -1;
        if (n <= 0)
            return -1;
        got += (size_t)n;
    }
    return 0;
}

int main(int argc, char **argv)
{
    char query[128];
    if (argc != 4)
        return 2;
    int fd = open_line(argv[1]), len = snprintf(query, sizeof query, "%s\n", argv[3]);
    double begin_s = now_s(), begin_processor_s = processor_s();
    long count = 0;
    if (fd < 0 || len < 2 || len >= (int)sizeof query || ask(fd, query, (size_t)len) < 0)
        return 4;
    for (; now_s() - begin_s < atof(argv[2]); count++)
        if (ask(fd, query, (size_t)len) < 0)
            return 4;
    printf("%.3f %.1f\n", (double)count / (now_s() - begin_s), (processor_s() - begin_processor_s) / (double)count * 1e6);
    return 0;
}
