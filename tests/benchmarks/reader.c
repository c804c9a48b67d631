/* Compiled reference of the benchmark: reads the words of a job into the columns that the engine's tokenizer makes.
 *
 * With the argument `strtod` numbers are read by the C library, as most programs do, else by a loop made for them.
 * Plain words and `;` comments only, which is all that the generated job has. Reads standard input in blocks of whole
 * lines; prints its own CPU seconds, then for each letter how many values were read and their bit patterns, xor-ed,
 * by which the benchmark checks that both readers read the same.
 */
#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

enum { BLOCK = 65536, MOST = BLOCK };

static char text[2 * BLOCK];
static int64_t line_of[MOST], masks[MOST];
static int32_t code[MOST], row_of[MOST];
static uint8_t letter_of[MOST];
static double value_of[MOST];
static uint64_t count[26], pattern[26];
static int64_t line = 0;
static int by_library = 0;

static const double POWER[] = {1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15};

/* Read one block of whole lines; give the number of words. */
static int read_block(const char *at, const char *end, int *rows)
{
    int words = 0, row = 0;
    while (at < end) {
        int first = words;
        line++;
        masks[row] = 0;
        while (at < end && *at != '\n') {
            unsigned char letter = (unsigned char)*at & 0xDF;
            if (*at == ';') {
                while (at < end && *at != '\n')
                    at++;
                break;
            }
            at++;
            if (letter < 'A' || letter > 'Z')
                continue;
            if (by_library) {
                char *after;
                double value = strtod(at, &after);
                value_of[words] = after == at ? NAN : value;
                at = after;
                row_of[words] = row;
                letter_of[words] = letter;
                masks[row] |= (int64_t)1 << (letter - 'A');
                words++;
                continue;
            }
            int negative = *at == '-', digits = 0, fraction = 0;
            int64_t number = 0;
            at += negative || *at == '+';
            for (; *at >= '0' && *at <= '9'; at++, digits++)
                number = number * 10 + (*at - '0');
            if (*at == '.')
                for (at++; *at >= '0' && *at <= '9'; at++, digits++, fraction++)
                    number = number * 10 + (*at - '0');
            double value = digits ? (double)number / POWER[fraction > 15 ? 15 : fraction] : NAN;
            row_of[words] = row;
            letter_of[words] = letter;
            value_of[words] = negative ? -value : value;
            masks[row] |= (int64_t)1 << (letter - 'A');
            words++;
        }
        if (words > first) {
            line_of[row] = line;
            code[row] = letter_of[first] * 65536 + (int32_t)(value_of[first] * 10 + 0.5);
            row++;
        }
        at++;
    }
    *rows = row;
    return words;
}

static double cpu_seconds(void)
{
    struct timespec now;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

int main(int argc, char **argv)
{
    by_library = argc > 1 && !strcmp(argv[1], "strtod");
    size_t held = 0, got;
    int64_t rows_total = 0;
    double begin = cpu_seconds(), checking = 0;
    while ((got = fread(text + held, 1, BLOCK, stdin)) > 0) {
        size_t whole = held += got;
        int rows;
        while (whole && text[whole - 1] != '\n')
            whole--;
        int words = read_block(text, text + whole, &rows);
        rows_total += rows;
        memmove(text, text + whole, held -= whole);
        double start = cpu_seconds();
        for (int i = 0; i < words; i++) {
            uint64_t bits;
            memcpy(&bits, &value_of[i], sizeof bits);
            count[letter_of[i] - 'A']++;
            pattern[letter_of[i] - 'A'] ^= bits;
        }
        checking += cpu_seconds() - start;
    }
    printf("%.6f %lld\n", cpu_seconds() - begin - checking, (long long)rows_total);
    for (int i = 0; i < 26; i++)
        if (count[i])
            printf("%c %llu %016llx\n", 'A' + i, (unsigned long long)count[i], (unsigned long long)pattern[i]);
    return 0;
}
