package bus

import (
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"strings"
	"syscall"
	"time"

	"github.com/nats-io/nats.go"
)

// passwordEnv names the environment variable with the password of the user in a
// bus URL.
const passwordEnv = "KERBLINE_BUS_PASSWORD"

const (
	dialLimit  = 2 * time.Second
	retryEvery = 500 * time.Millisecond
	pingEvery  = 2 * time.Second
)

// Target is a bus and perhaps one car on it.
type Target struct {
	server string // without user and car
	user   string
	Car    string // "" for any
	CA     string // file of the authority that signs the server's certificate, "" for the computer's own
}

// Is reports whether s is the URL of a bus.
func Is(s string) bool { return strings.HasPrefix(s, "nats://") || strings.HasPrefix(s, "tls://") }

// Parse reads nats://[user@]host[:port][/CAR], or tls:// for a server with a
// certificate. The user's password is taken from [passwordEnv]; one in the URL is
// refused and not repeated.
func Parse(s string) (Target, error) {
	const want = "want nats://user@host:4222/CAR"
	u, err := url.Parse(s)
	if err != nil {
		return Target{}, fmt.Errorf("bus: URL cannot be read, %s", want)
	}
	if _, set := u.User.Password(); set {
		return Target{}, fmt.Errorf("bus: the URL holds a password, want it in the environment variable %s", passwordEnv)
	}
	if u.Scheme != "nats" && u.Scheme != "tls" || u.Hostname() == "" || u.RawQuery != "" {
		return Target{}, fmt.Errorf("bus: %q, %s", s, want)
	}
	port := u.Port()
	if port == "" {
		port = "4222"
	}
	t := Target{server: u.Scheme + "://" + net.JoinHostPort(u.Hostname(), port), user: u.User.Username(), Car: strings.Trim(u.Path, "/")}
	if t.Car != "" {
		if err := CheckCar(t.Car); err != nil {
			return Target{}, err
		}
	}
	return t, nil
}

// String is the URL without secrets.
func (t Target) String() string {
	s := t.server
	if t.Car != "" {
		s += "/" + t.Car
	}
	return s
}

// Connect connects to a server. A server that is not there is waited for; one
// that refuses the user is an error.
func Connect(t Target) (*nats.Conn, error) {
	opts := common()
	if t.user != "" {
		opts = append(opts, nats.UserInfo(t.user, os.Getenv(passwordEnv)))
	}
	if t.CA != "" {
		opts = append(opts, nats.RootCAs(t.CA))
	}
	nc, err := nats.Connect(t.server, opts...)
	if err != nil {
		return nil, fmt.Errorf("bus: %s: %s", t, words(err, t.user))
	}
	return nc, nil
}

// Connect connects this program to its own server.
func (s *Server) Connect() (*nats.Conn, error) {
	nc, err := nats.Connect("", append(common(), nats.InProcessServer(s.s), nats.UserInfo(s.own, s.ownPassword))...)
	if err != nil {
		return nil, fmt.Errorf("bus: %w", err)
	}
	return nc, nil
}

func common() []nats.Option {
	return []nats.Option{
		nats.Name("kerbline"), nats.Timeout(dialLimit), nats.RetryOnFailedConnect(true), nats.MaxReconnects(-1), nats.ReconnectWait(retryEvery),
		nats.ReconnectJitter(50*time.Millisecond, 50*time.Millisecond), nats.PingInterval(pingEvery), nats.MaxPingsOutstanding(2),
		// What could not be sent is old when the server is back.
		nats.ReconnectBufSize(-1), nats.IgnoreDiscoveredServers(), nats.ErrorHandler(func(*nats.Conn, *nats.Subscription, error) {}),
	}
}

// words says what an error means.
func words(err error, user string) string {
	switch {
	case errors.Is(err, nats.ErrAuthorization) || errors.Is(err, nats.ErrAuthExpired):
		if user == "" {
			return "the server wants a user, put it into the URL and the password into " + passwordEnv
		}
		return fmt.Sprintf("user %q or its password (%s) is wrong", user, passwordEnv)
	case errors.Is(err, nats.ErrPermissionViolation):
		return "the user may not do this: see the file of users of the server"
	case errors.Is(err, syscall.ECONNREFUSED) || errors.Is(err, nats.ErrNoServers):
		return "no server there"
	}
	return err.Error()
}

// subscribe connects to t and hears one kind of what its car, or every car, sends.
func subscribe(t Target, kind string) (*nats.Conn, *nats.Subscription, error) {
	nc, err := Connect(t)
	if err != nil {
		return nil, nil, err
	}
	sub, err := nc.SubscribeSync(subject(t.Car, kind))
	if err != nil {
		nc.Close()
		return nil, nil, fmt.Errorf("bus: %s: %s", t, words(err, t.user))
	}
	return nc, sub, nil
}
