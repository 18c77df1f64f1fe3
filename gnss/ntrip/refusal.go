package ntrip

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"strings"
	"syscall"
	"time"
)

// Kind is why a caster gave no data, or stopped giving it.
type Kind uint8

const (
	Unreachable  Kind = iota // no connection: name, route, port
	BadTLS                   // certificate or handshake
	Unauthorized             // 401, "ERROR - Bad Password"
	Forbidden                // 403
	NoMount                  // 404, or the source table instead of data
	Busy                     // 409
	Unsupported              // 501, 505: the caster does not speak this version
	ServerError              // other status
	NotData                  // a 200 that is no correction stream: a web page
	Garbled                  // the reply is none that NTRIP knows
	Stalled                  // connected, but no byte for too long
	Closed                   // the caster ended the stream
	Reset                    // the connection was cut
)

// Refusal is an error of this package: what happened, in words.
type Refusal struct {
	Kind   Kind
	Target string // printable URL
	Text   string // what happened and what to try
	Err    error  // what the network said, may be nil
}

func (r *Refusal) Error() string { return "ntrip: " + r.Target + ": " + r.Text }
func (r *Refusal) Unwrap() error { return r.Err }

// Settled reports that trying again at once is useless: a person has to change
// something at the caster or in the URL. Casters lock out clients that hammer.
func (r *Refusal) Settled() bool {
	switch r.Kind {
	case Unauthorized, Forbidden, NoMount, Busy, Unsupported, NotData, BadTLS:
		return true
	}
	return false
}

func (t Target) refuse(k Kind, err error, format string, args ...any) *Refusal {
	if err != nil && t.hide(err.Error()) != err.Error() {
		err = errors.New(t.hide(err.Error())) // the caster echoed the request
	}
	return &Refusal{Kind: k, Target: t.String(), Text: fmt.Sprintf(format, args...), Err: err}
}

// dialError puts a failure to connect into words.
func (t Target) dialError(err error) *Refusal {
	var dns *net.DNSError
	var host x509.HostnameError
	var authority x509.UnknownAuthorityError
	var invalid x509.CertificateInvalidError
	var record tls.RecordHeaderError
	name, _, _ := net.SplitHostPort(t.Host)
	switch {
	case errors.As(err, &host):
		names := "nobody"
		if n := host.Certificate.DNSNames; len(n) > 0 {
			names = t.clean(strings.Join(n, ", "))
		}
		return t.refuse(BadTLS, err, "the certificate is for %s, not for %s: wrong host name, or someone in between", names, name)
	case errors.As(err, &authority):
		return t.refuse(BadTLS, err, "the certificate is signed by nobody this computer trusts")
	case errors.As(err, &invalid) && invalid.Reason == x509.Expired:
		return t.refuse(BadTLS, err, "the certificate is not valid today: expired, or this computer's clock is wrong")
	case errors.As(err, &record):
		return t.refuse(BadTLS, err, "the port does not speak TLS: try ntrip:// instead of ntrips://")
	case errors.As(err, &dns):
		return t.refuse(Unreachable, err, "no address for %s: no network, or the name is wrong", name)
	case errors.Is(err, syscall.ECONNREFUSED):
		return t.refuse(Unreachable, err, "nothing listens there: wrong port, or the caster is down")
	case errors.Is(err, os.ErrDeadlineExceeded), isTimeout(err):
		return t.refuse(Unreachable, err, "no answer to the connection attempt: no network, or a firewall")
	case errors.Is(err, syscall.ENETUNREACH), errors.Is(err, syscall.EHOSTUNREACH):
		return t.refuse(Unreachable, err, "no route: no network")
	}
	k := Unreachable
	if t.TLS && !isNet(err) {
		k = BadTLS
	}
	return t.refuse(k, err, "cannot connect: %s", t.clean(err.Error()))
}

// readError puts a broken stream into words.
func (t Target) readError(err error, after int64, stall time.Duration) *Refusal {
	switch {
	case errors.Is(err, os.ErrDeadlineExceeded), isTimeout(err):
		return t.refuse(Stalled, err, "connected, but no byte for %g s (after %d bytes)", stall.Seconds(), after)
	case errors.Is(err, io.ErrUnexpectedEOF):
		return t.refuse(Closed, err, "the stream broke off inside a block (after %d bytes)", after)
	case errors.Is(err, io.EOF):
		return t.refuse(Closed, err, "the caster closed the stream (after %d bytes)", after)
	case errors.Is(err, errHeads):
		return t.refuse(NotData, err, "the caster sends headers without an end, want RTCM 3 data after at most %d kB of them", maxHeader>>10)
	case errors.Is(err, syscall.ECONNRESET), errors.Is(err, syscall.EPIPE):
		return t.refuse(Reset, err, "the connection was reset (after %d bytes)", after)
	}
	return t.refuse(Reset, err, "the stream broke (after %d bytes): %s", after, t.clean(err.Error()))
}

// status puts a reply other than success into words.
func (t Target) status(code int, reason string) *Refusal {
	reason = t.clean(reason)
	switch code {
	case 401:
		if t.User == "" {
			return t.refuse(Unauthorized, nil, "401: the caster wants a user, put it into the URL and the password into %s", PasswordEnv)
		}
		if t.password == "" {
			return t.refuse(Unauthorized, nil, "401: the caster wants a password, put it into %s", PasswordEnv)
		}
		return t.refuse(Unauthorized, nil, "401: user %q or its password is wrong, or may not use this mount point", t.User)
	case 403:
		return t.refuse(Forbidden, nil, "403: the caster forbids this: account expired, blocked, or in use elsewhere")
	case 404:
		return t.refuse(NoMount, nil, "404: no mount point %q there: list them with kerbline mounts", t.Mount)
	case 409:
		return t.refuse(Busy, nil, "409: the caster says this is in use already")
	case 501, 505:
		return t.refuse(Unsupported, nil, "%d: the caster does not know this kind of request: try ?version=1", code)
	}
	return t.refuse(ServerError, nil, "the caster answered %d %s", code, reason)
}

func isTimeout(err error) bool {
	var n net.Error
	return errors.As(err, &n) && n.Timeout()
}

func isNet(err error) bool {
	var o *net.OpError
	return errors.As(err, &o)
}
