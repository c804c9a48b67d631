/* The printer's half of the benchmark: acknowledges every line of one TCP connection, doing as little as can be done.
 *
 * Compiled by bench.py where there is a C compiler, so that what is measured is the link. Sleeps in the kernel between
 * pieces, never spins. With a baud rate, replies no faster than 8N1 carries the bytes. Answers M105 with temperatures.
 */
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

static double now(void) {
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec + 1e-9 * t.tv_nsec;
}

int main(int count, char **arguments) {
    if (count != 3) return 2; /* listening descriptor, baud */
    const double baud = atof(arguments[2]);
    int one = 1, connection = accept(atoi(arguments[1]), NULL, NULL);
    if (connection < 0) return 1;
    setsockopt(connection, IPPROTO_TCP, TCP_NODELAY, &one, sizeof one);
    static char data[65536], line[256], reply[1 << 20];
    size_t length = 0;
    double due = now();
    for (ssize_t got; (got = read(connection, data, sizeof data)) > 0;) {
        if (baud > 0) {
            const double at = now();
            due = (due > at ? due : at) + 10 * got / baud;
            if (due > at) {
                struct timespec pause = {(time_t)(due - at), (long)(1e9 * (due - at - (time_t)(due - at)))};
                nanosleep(&pause, NULL);
            }
        }
        size_t said = 0;
        for (ssize_t i = 0; i < got; i++) {
            if (data[i] != '\n') {
                if (length < sizeof line - 1) line[length++] = data[i];
                continue;
            }
            line[length] = 0;
            const char *text = strstr(line, "M105*") ? "ok T:20 /0 B:20 /0\n" : "ok\n";
            if (length) {
                memcpy(reply + said, text, strlen(text));
                said += strlen(text);
            }
            length = 0;
        }
        if (said && write(connection, reply, said) != (ssize_t)said) return 1;
    }
    return 0;
}
