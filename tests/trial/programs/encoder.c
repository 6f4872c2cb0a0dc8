/* An encoder of firmware, tried with: dryload check-encoder ./encoder
 * It is asked in lines of JSON; all of JSON that is needed here is where a key's value begins. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static unsigned char sum;

static void byte(int value) { sum ^= value; printf("%02X", value); }

static void field(long value, int bytes) { /* low seven bits first */
    while (bytes--) { byte(value & 0x7F); value >>= 7; }
}

static const char *at(const char *line, const char *key) { return strstr(line, key) + strlen(key); }

int main(void) {
    char *line = NULL;
    size_t room = 0;
    while (getline(&line, &room, stdin) > 0) {
        int bits = atoi(at(line, "\"bits\": ")), number = atoi(at(line, "\"number\": "));
        int device = atoi(at(line, "\"device_id\": ")), size = (bits + 6) / 7, per = 120 / size;
        long period = lround(1e9 / atof(at(line, "\"rate\": "))), length = 0;
        const char *words = at(line, "\"words\": [");
        for (const char *p = words; *p != ']'; p++) length += *p == ',';
        length += *words != ']';
        if (!strstr(line, "\"loop\": null") || !strstr(line, "\"name\": \"\"") || length > 2097151) {
            puts("{\"declined\": \"no loops, no names, no more than 2,097,151 words\"}");
        } else {
            printf("{\"dump\": \"F07E%02X01", device);
            field(number, 2); field(bits, 1); field(period, 3); field(length, 3);
            field(0, 3); field(0, 3); field(0x7F, 1); printf("F7");
            for (long done = 0, packet = 0; done < length; packet++) {
                printf("F0"); sum = 0; byte(0x7E); byte(device); byte(0x02); byte(packet & 0x7F);
                for (int i = 0; i < per; i++, done++) {
                    unsigned long word = 0; /* filler */
                    if (done < length) {
                        word = (unsigned long)(strtol(words, (char **)&words, 10) + (1L << (bits - 1)));
                        word <<= 7 * size - bits;
                        words++;
                    }
                    for (int place = size - 1; place >= 0; place--) byte(word >> 7 * place & 0x7F);
                }
                printf("%02XF7", sum);
            }
            puts("\"}");
        }
        fflush(stdout);
    }
    return 0;
}
