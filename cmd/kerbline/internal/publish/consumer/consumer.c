/* The reference consumer of published verdicts in C99, with no dependency but the
 * C library and, for main, POSIX sockets. It is the rule of rule.go, step for
 * step, and the tests compare the two on the same verdicts.
 *
 * A controller takes the part above "the program": it holds one struct rule,
 * gives every datagram to rule_hear with its own steady clock and its own word
 * that it does not drive by the map, and asks rule_decide before every command.
 *
 *     cc -std=c99 -O2 -o consumer consumer.c -lm
 *     ./consumer 47100            hear UDP on this computer, a line for each change
 *     ./consumer - < verdicts     the rule on lines "now sender disengaged json"
 *
 * With a key in the environment variable KERBLINE_PUBLISH_KEY it takes only what was
 * signed with it.
 */
#define _POSIX_C_SOURCE 200809L
#include <math.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define HOLD 0.3        /* s, longest a verdict holds from its arrival */
#define SILENCE 5.0     /* s without a verdict until another session may be taken */
#define SETTLE 1.0      /* s in which a new session is only listened to */
#define CLOCK_RATE 1e-4 /* s per s that two clocks may run apart */
#define LINE_RATE 100.0 /* verdicts a second that a counter may run ahead by */
#define FORMER 64       /* sessions that are remembered as over */

struct verdict {
	double t, valid_until, hold, cap; /* NAN where not said */
	unsigned long long n;
	char session[40], verdict[24], advice[24];
};

struct rule {
	char sender[64], session[40];
	char former[FORMER][40];
	unsigned nformer;
	unsigned long long n;
	double begun, heard, least, until; /* s, our clock; least: arrival - t */
	struct verdict held;
};

struct decision {
	bool usable;          /* drive by the map: by advice, at most cap */
	const char *verdict;  /* "" while nothing is held */
	const char *advice;   /* to obey, "stop" while nothing is held */
	double cap;           /* m/s */
};

/* skip passes over one JSON value and returns where it ends, NULL when it is none.
 * Verdicts hold no nested objects; what is deeper than an array is refused. */
static const char *skip(const char *p) {
	if (*p == '"') {
		for (p++; *p && *p != '"'; p++)
			if (*p == '\\' && !*++p)
				return NULL;
		return *p ? p + 1 : NULL;
	}
	if (*p == '[') {
		for (p++; *p && *p != ']';) {
			if (*p == '"') {
				if (!(p = skip(p)))
					return NULL;
			} else if (*p == '[' || *p == '{')
				return NULL;
			else
				p++;
		}
		return *p ? p + 1 : NULL;
	}
	const char *from = p;
	while (*p && !strchr(",}] \t\r\n", *p))
		p++;
	return p > from ? p : NULL;
}

static double number(const char *from, const char *to) {
	char *end;
	if (from == to || !(*from == '-' || (*from >= '0' && *from <= '9')))
		return NAN; /* null, and what strtod takes but JSON does not */
	double x = strtod(from, &end);
	return end == to ? x : NAN;
}

static void text(const char *from, const char *to, char *into, size_t size) {
	size_t n = (size_t)(to - from);
	into[0] = 0;
	if (n < 2 || *from != '"' || n - 2 >= size || memchr(from, '\\', n))
		return; /* no word of ours: as if it were not there */
	memcpy(into, from + 1, n - 2);
	into[n - 2] = 0;
}

/* parse reads a published verdict; what is not there stays unknown. */
static bool parse(const char *p, struct verdict *v) {
	memset(v, 0, sizeof *v);
	v->t = v->valid_until = v->hold = v->cap = NAN;
	p += strspn(p, " \t\r\n");
	if (*p++ != '{')
		return false;
	for (;;) {
		p += strspn(p, " \t\r\n");
		const char *key = p, *end = *p == '"' ? skip(p) : NULL;
		if (!end)
			return false;
		size_t len = (size_t)(end - key) - 2;
		p = end + strspn(end, " \t\r\n");
		if (*p++ != ':')
			return false;
		p += strspn(p, " \t\r\n");
		if (!(end = skip(p)))
			return false;
#define IS(name) (len == sizeof name - 1 && !memcmp(key + 1, name, len))
		if (IS("t")) v->t = number(p, end);
		else if (IS("valid_until")) v->valid_until = number(p, end);
		else if (IS("hold_s")) v->hold = number(p, end);
		else if (IS("speed_cap_mps")) v->cap = number(p, end);
		else if (IS("n")) v->n = *p >= '0' && *p <= '9' ? strtoull(p, NULL, 10) : 0;
		else if (IS("session")) text(p, end, v->session, sizeof v->session);
		else if (IS("verdict")) text(p, end, v->verdict, sizeof v->verdict);
		else if (IS("advice")) text(p, end, v->advice, sizeof v->advice);
#undef IS
		p = end + strspn(end, " \t\r\n");
		if (*p == '}')
			return p[1 + strspn(p + 1, " \t\r\n")] == 0;
		if (*p++ != ',')
			return false;
	}
}

/* change takes another sender or session, or says why not. */
static const char *change(struct rule *r, double now, const char *sender, const char *session, bool disengaged) {
	if (r->session[0] && now - r->heard < SILENCE)
		return "another sender or session";
	if (!strcmp(r->session, session))
		return "a session from another sender";
	unsigned known = r->nformer < FORMER ? r->nformer : FORMER;
	for (unsigned i = 0; i < known; i++)
		if (!strcmp(r->former[i], session))
			return "a session that is over";
	if (!disengaged)
		return "a new session, waiting for the controller to be disengaged";
	if (r->session[0])
		strcpy(r->former[r->nformer++ % FORMER], r->session);
	snprintf(r->sender, sizeof r->sender, "%s", sender);
	snprintf(r->session, sizeof r->session, "%s", session);
	r->n = 0;
	r->begun = r->heard = r->until = now;
	r->least = INFINITY;
	return NULL;
}

/* rule_hear takes a datagram (a string that ends in 0) that arrived at now, s of
 * any steady clock, or returns why not. */
const char *rule_hear(struct rule *r, double now, const char *sender, const char *json, bool disengaged) {
	struct verdict v;
	if (!parse(json, &v))
		return "no verdict";
	double hold = v.hold < HOLD ? v.hold : HOLD;
	if (!v.session[0] || !v.n || !(v.hold > 0) || !(fabs(v.valid_until - v.t - v.hold) < 1e-3))
		return "no published verdict";
	if (strcmp(sender, r->sender) || strcmp(v.session, r->session)) {
		const char *why = change(r, now, sender, v.session, disengaged);
		if (why)
			return why;
	}
	double way = now - v.t, since = now - r->heard, usual = r->least + CLOCK_RATE * since;
	bool young = now - r->begun < SETTLE;
	if (v.n <= r->n)
		return "repeated or overtaken";
	if (r->n && (double)(v.n - r->n) > LINE_RATE * (1 + since))
		return "its counter is ahead";
	if (!young && way < r->least - hold)
		return "ahead of its time";
	if (way > usual + hold)
		return "longer on its way than the quickest";
	r->least = way < usual ? way : usual;
	r->n = v.n;
	r->heard = now;
	if (young) {
		r->until = now;
		return "a new session, listened to first";
	}
	r->until = now + hold;
	r->held = v;
	return NULL;
}

/* rule_decide says what a controller may do at now. */
struct decision rule_decide(const struct rule *r, double now) {
	struct decision d = {false, "", "stop", NAN};
	if (!r->session[0] || !(now < r->until))
		return d;
	d.verdict = r->held.verdict;
	d.advice = r->held.advice;
	d.cap = r->held.cap;
	d.usable = !strcmp(d.verdict, "usable") && (!strcmp(d.advice, "map") || !strcmp(d.advice, "map_slow")) && d.cap > 0;
	return d;
}

/* ---- who sent it: HMAC-SHA-256 (RFC 2104, FIPS 180-4) ---- */

struct sha {
	uint32_t h[8];
	uint64_t n; /* bytes so far */
	unsigned char block[64];
};

static uint32_t turn(uint32_t x, int n) { return x >> n | x << (32 - n); }

static void sha_block(struct sha *s, const unsigned char *b) {
	static const uint32_t k[64] = {
		0x428a2f98, 0x71374491, 0xb5c0fbcf, 0xe9b5dba5, 0x3956c25b, 0x59f111f1, 0x923f82a4, 0xab1c5ed5, 0xd807aa98, 0x12835b01, 0x243185be,
		0x550c7dc3, 0x72be5d74, 0x80deb1fe, 0x9bdc06a7, 0xc19bf174, 0xe49b69c1, 0xefbe4786, 0x0fc19dc6, 0x240ca1cc, 0x2de92c6f, 0x4a7484aa,
		0x5cb0a9dc, 0x76f988da, 0x983e5152, 0xa831c66d, 0xb00327c8, 0xbf597fc7, 0xc6e00bf3, 0xd5a79147, 0x06ca6351, 0x14292967, 0x27b70a85,
		0x2e1b2138, 0x4d2c6dfc, 0x53380d13, 0x650a7354, 0x766a0abb, 0x81c2c92e, 0x92722c85, 0xa2bfe8a1, 0xa81a664b, 0xc24b8b70, 0xc76c51a3,
		0xd192e819, 0xd6990624, 0xf40e3585, 0x106aa070, 0x19a4c116, 0x1e376c08, 0x2748774c, 0x34b0bcb5, 0x391c0cb3, 0x4ed8aa4a, 0x5b9cca4f,
		0x682e6ff3, 0x748f82ee, 0x78a5636f, 0x84c87814, 0x8cc70208, 0x90befffa, 0xa4506ceb, 0xbef9a3f7, 0xc67178f2};
	uint32_t w[64], v[8];
	for (int i = 0; i < 16; i++)
		w[i] = (uint32_t)b[4 * i] << 24 | (uint32_t)b[4 * i + 1] << 16 | (uint32_t)b[4 * i + 2] << 8 | b[4 * i + 3];
	for (int i = 16; i < 64; i++)
		w[i] = w[i - 16] + w[i - 7] + (turn(w[i - 15], 7) ^ turn(w[i - 15], 18) ^ w[i - 15] >> 3) + (turn(w[i - 2], 17) ^ turn(w[i - 2], 19) ^ w[i - 2] >> 10);
	memcpy(v, s->h, sizeof v);
	for (int i = 0; i < 64; i++) {
		uint32_t e = v[4], a = v[0];
		uint32_t one = v[7] + (turn(e, 6) ^ turn(e, 11) ^ turn(e, 25)) + ((e & v[5]) ^ (~e & v[6])) + k[i] + w[i];
		uint32_t two = (turn(a, 2) ^ turn(a, 13) ^ turn(a, 22)) + ((a & v[1]) ^ (a & v[2]) ^ (v[1] & v[2]));
		memmove(v + 1, v, 7 * sizeof *v);
		v[4] += one;
		v[0] = one + two;
	}
	for (int i = 0; i < 8; i++)
		s->h[i] += v[i];
}

static void sha_begin(struct sha *s) {
	static const uint32_t h[8] = {0x6a09e667, 0xbb67ae85, 0x3c6ef372, 0xa54ff53a, 0x510e527f, 0x9b05688c, 0x1f83d9ab, 0x5be0cd19};
	memcpy(s->h, h, sizeof h);
	s->n = 0;
}

static void sha_add(struct sha *s, const void *from, size_t size) {
	for (const unsigned char *p = from; size > 0; size--) {
		s->block[s->n++ % 64] = *p++;
		if (s->n % 64 == 0)
			sha_block(s, s->block);
	}
}

static void sha_end(struct sha *s, unsigned char out[32]) {
	uint64_t bits = 8 * s->n;
	sha_add(s, "\x80", 1);
	while (s->n % 64 != 56)
		sha_add(s, "", 1);
	for (int i = 7; i >= 0; i--) {
		unsigned char c = (unsigned char)(bits >> 8 * i);
		sha_add(s, &c, 1);
	}
	for (int i = 0; i < 32; i++)
		out[i] = (unsigned char)(s->h[i / 4] >> (24 - 8 * (i % 4)));
}

static void hmac(const char *key, const char *text, size_t size, unsigned char out[32]) {
	struct sha s;
	unsigned char k[64] = {0}, pad[64];
	if (strlen(key) <= sizeof k)
		memcpy(k, key, strlen(key));
	else {
		sha_begin(&s);
		sha_add(&s, key, strlen(key));
		sha_end(&s, k);
	}
	for (int i = 0; i < 64; i++)
		pad[i] = k[i] ^ 0x36;
	sha_begin(&s);
	sha_add(&s, pad, sizeof pad);
	sha_add(&s, text, size);
	sha_end(&s, out);
	for (int i = 0; i < 64; i++)
		pad[i] = k[i] ^ 0x5c;
	sha_begin(&s);
	sha_add(&s, pad, sizeof pad);
	sha_add(&s, out, 32);
	sha_end(&s, out);
}

/* rule_signed reports whether a datagram was signed with key: it ends in a field
 * "mac" over all that stands before that. Give to rule_hear only what was. */
bool rule_signed(const char *json, const char *key) {
	static const char field[] = ",\"mac\":\"", digits[] = "0123456789abcdef";
	size_t size = strlen(json), tail = sizeof field - 1 + 64 + 2;
	if (size > 0 && json[size - 1] == '\n')
		size--;
	if (size < tail || memcmp(json + size - tail, field, sizeof field - 1) || memcmp(json + size - 2, "\"}", 2))
		return false;
	unsigned char want[32], differs = 0;
	hmac(key, json, size - tail, want);
	const char *got = json + size - 66;
	for (int i = 0; i < 32; i++) /* in the same time for every key */
		differs |= (unsigned char)(got[2 * i] ^ digits[want[i] >> 4]) | (unsigned char)(got[2 * i + 1] ^ digits[want[i] & 15]);
	return !differs;
}

/* ---- the program ---- */

#include <arpa/inet.h>
#include <netinet/in.h>
#include <sys/socket.h>
#include <sys/time.h>
#include <time.h>

static void say(char *was, size_t size, struct decision d, const char *why) {
	char line[256];
	if (!d.verdict[0])
		snprintf(line, sizeof line, "NOT USABLE %s", why ? why : "nothing heard");
	else if (isnan(d.cap))
		snprintf(line, sizeof line, "NOT USABLE %s %s", d.verdict, d.advice);
	else
		snprintf(line, sizeof line, "%s %s %s, at most %.0f m/s", d.usable ? "USABLE    " : "NOT USABLE", d.verdict, d.advice, floor(d.cap));
	if (strcmp(line, was)) {
		snprintf(was, size, "%s", line);
		puts(line);
		fflush(stdout);
	}
}

/* lines runs the rule on standard input: for each line "now sender disengaged
 * json" it prints whether the verdict was taken, and the decision. */
static int lines(const char *key) {
	static char line[70000];
	struct rule r = {0};
	while (fgets(line, sizeof line, stdin)) {
		double now;
		char sender[64];
		int disengaged, at = 0;
		if (sscanf(line, "%lf %63s %d %n", &now, sender, &disengaged, &at) != 3 || !at)
			return 1;
		bool taken = (!key || rule_signed(line + at, key)) && !rule_hear(&r, now, sender, line + at, disengaged);
		struct decision d = rule_decide(&r, now);
		printf("%d %d %s\n", taken, d.usable, d.advice);
	}
	return 0;
}

int main(int argc, char **argv) {
	const char *key = getenv("KERBLINE_PUBLISH_KEY");
	if (key && !*key)
		key = NULL;
	if (argc == 2 && !strcmp(argv[1], "-"))
		return lines(key);
	struct sockaddr_in at = {.sin_family = AF_INET, .sin_port = htons((unsigned short)(argc == 2 ? atoi(argv[1]) : 47100))};
	at.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
	int fd = socket(AF_INET, SOCK_DGRAM, 0);
	if (fd < 0 || bind(fd, (struct sockaddr *)&at, sizeof at)) {
		perror("consumer: cannot listen");
		return 1;
	}
	struct timeval wait = {0, 50000};
	setsockopt(fd, SOL_SOCKET, SO_RCVTIMEO, &wait, sizeof wait);
	static char b[65536];
	char was[256] = "", sender[64];
	struct rule r = {0};
	const char *why = NULL;
	bool disengaged = true; /* a controller of your own says so itself; here: until the first USABLE */
	for (;;) {
		struct sockaddr_in from;
		socklen_t size = sizeof from;
		ssize_t n = recvfrom(fd, b, sizeof b - 1, 0, (struct sockaddr *)&from, &size);
		struct timespec ts;
		clock_gettime(CLOCK_MONOTONIC, &ts);
		double now = (double)ts.tv_sec + 1e-9 * (double)ts.tv_nsec;
		if (n >= 0) {
			b[n] = 0;
			snprintf(sender, sizeof sender, "%s:%u", inet_ntoa(from.sin_addr), ntohs(from.sin_port));
			if (strlen(b) != (size_t)n)
				why = "no verdict";
			else if (key && !rule_signed(b, key))
				why = "not signed with the key of KERBLINE_PUBLISH_KEY";
			else
				why = rule_hear(&r, now, sender, b, disengaged);
		}
		struct decision d = rule_decide(&r, now);
		if (d.usable)
			disengaged = false;
		say(was, sizeof was, d, why);
	}
}
