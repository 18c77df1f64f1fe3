package bus

import (
	"bufio"
	"bytes"
	"crypto/rand"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"os"
	"strconv"
	"strings"
	"time"

	"github.com/nats-io/nats-server/v2/server"
)

// ServeOptions say how the server inside the program is reached.
type ServeOptions struct {
	Addr      string // host:port
	Remote    bool   // other computers may reach it
	Users     string // file of users; needed with Remote
	Cert, Key string // files; TLS where they are named
	MQTT      string // host:port where MQTT clients are served too; "" for none
	Queue     bool   // tasks are handed out too: [Offer] and [Work]
}

// Server is the server inside the program.
type Server struct {
	s *server.Server
	// own is the user that this program itself connects as.
	own, ownPassword string
	// store is a folder of sessions and queues, "" without any.
	store string
}

// Serve starts a server. An address that other computers reach needs Remote and
// a file of users.
func Serve(o ServeOptions) (*Server, error) {
	host, n, err := o.listen(o.Addr)
	if err != nil {
		return nil, err
	}
	b := &Server{own: "own-" + rand.Text(), ownPassword: rand.Text()}
	so := &server.Options{Host: host, Port: n, NoSigs: true, NoLog: true, MaxPayload: 1 << 20, WriteDeadline: 2 * time.Second,
		PingInterval: 5 * time.Second, MaxPingsOut: 2, AuthTimeout: 2}
	if n == 0 {
		so.Port = server.RANDOM_PORT
	}
	if o.MQTT != "" {
		if err := o.serveMQTT(so); err != nil {
			return nil, err
		}
	}
	if o.MQTT != "" || o.Queue {
		so.ServerName, so.JetStream = "kerbline", true
		so.JetStreamMaxMemory, so.JetStreamMaxStore = 256<<20, 64<<20
		if so.StoreDir, err = os.MkdirTemp("", "kerbline-bus-"); err != nil {
			return nil, fmt.Errorf("bus: %w", err)
		}
		b.store = so.StoreDir
	}
	if o.Users != "" {
		if so.Users, err = readUsers(o.Users); err != nil {
			return nil, err
		}
		so.Users = append(so.Users, &server.User{Username: b.own, Password: b.ownPassword})
	}
	if o.Cert != "" || o.Key != "" {
		pair, err := tls.LoadX509KeyPair(o.Cert, o.Key)
		if err != nil {
			return nil, fmt.Errorf("bus: certificate %q with key %q: %w", o.Cert, o.Key, err)
		}
		so.TLS, so.TLSTimeout = true, 2
		so.TLSConfig = &tls.Config{Certificates: []tls.Certificate{pair}, MinVersion: tls.VersionTLS12}
		if o.MQTT != "" {
			so.MQTT.TLSConfig, so.MQTT.TLSTimeout = so.TLSConfig, so.TLSTimeout
		}
	}
	if b.s, err = server.NewServer(so); err != nil {
		return nil, fmt.Errorf("bus: %w", err)
	}
	// The server ends the program where it cannot listen, so try first.
	err = free(so.Host, so.Port)
	if o.MQTT != "" {
		err = errors.Join(err, free(so.MQTT.Host, so.MQTT.Port))
	}
	if err != nil {
		return nil, err
	}
	go b.s.Start()
	if !b.s.ReadyForConnections(10 * time.Second) {
		b.s.Shutdown()
		return nil, fmt.Errorf("bus: %s: the server did not start", o.Addr)
	}
	return b, nil
}

// listen checks an address to listen at and returns it in numbers.
func (o *ServeOptions) listen(addr string) (host string, port int, err error) {
	name, text, err := net.SplitHostPort(addr)
	port, err2 := strconv.Atoi(text)
	if err != nil || err2 != nil || port < 0 || port > 65535 {
		return "", 0, fmt.Errorf("bus: address %q, want host:port such as 127.0.0.1:4222", addr)
	}
	ips, err := net.LookupIP(name)
	if err != nil || len(ips) == 0 {
		return "", 0, fmt.Errorf("bus: no address for %q, want host:port such as 127.0.0.1:4222", name)
	}
	if !ips[0].IsLoopback() {
		switch {
		case !o.Remote:
			return "", 0, fmt.Errorf("bus: %s is not this computer alone, want a loopback address, or --publish-remote where others may reach it", addr)
		case o.Users == "":
			return "", 0, fmt.Errorf("bus: %s can be reached by others, want --bus-users FILE with who may watch", addr)
		}
	}
	return ips[0].String(), port, nil
}

// serveMQTT lets clients of MQTT 3.1.1 in as well: the server's gateway turns the
// subject kerbline.v1.CAR.verdict into the topic kerbline/v1/CAR/verdict.
func (o *ServeOptions) serveMQTT(so *server.Options) (err error) {
	if so.MQTT.Host, so.MQTT.Port, err = o.listen(o.MQTT); err != nil {
		return err
	}
	if so.MQTT.Port == 0 {
		so.MQTT.Port = server.RANDOM_PORT
	}
	return nil
}

// free reports an error where nothing can listen.
func free(host string, port int) error {
	l, err := net.Listen("tcp", net.JoinHostPort(host, strconv.Itoa(max(port, 0))))
	if err != nil {
		return fmt.Errorf("bus: %w, want a free port", err)
	}
	return l.Close()
}

// URL is where the server listens.
func (s *Server) URL() string { return "nats://" + s.s.Addr().String() }

// Close stops the server.
func (s *Server) Close() {
	s.s.Shutdown()
	s.s.WaitForShutdown()
	if s.store != "" {
		os.RemoveAll(s.store)
	}
}

// readUsers reads lines "name password role"; role is watch or publish.
func readUsers(path string) (list []*server.User, err error) {
	fi, err := os.Stat(path)
	if err != nil {
		return nil, fmt.Errorf("bus: users: %w", err)
	}
	if fi.Mode().Perm()&0o077 != 0 {
		return nil, fmt.Errorf("bus: users: %s can be read by others (mode %04o), want chmod 600", path, fi.Mode().Perm())
	}
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("bus: users: %w", err)
	}
	sc := bufio.NewScanner(bytes.NewReader(b))
	for n := 1; sc.Scan(); n++ {
		f := strings.Fields(sc.Text())
		if len(f) == 0 || strings.HasPrefix(f[0], "#") {
			continue
		}
		if len(f) != 3 || f[2] != "watch" && f[2] != "publish" {
			return nil, fmt.Errorf("bus: users: %s, line %d: %d words, want: name password watch, or: name password publish", path, n, len(f))
		}
		if len(f[1]) < 8 {
			return nil, fmt.Errorf("bus: users: %s, line %d: the password of %q is shorter than 8 characters", path, n, f[0])
		}
		u := &server.User{Username: f[0], Password: f[1]}
		if f[2] == "watch" {
			u.Permissions = &server.Permissions{
				Publish:   &server.SubjectPermission{Allow: []string{subject("", subRecent)}},
				Subscribe: &server.SubjectPermission{Allow: []string{prefix + ">", "_INBOX.>", "$MQTT.sub.>"}},
			}
		}
		list = append(list, u)
	}
	if len(list) == 0 {
		return nil, fmt.Errorf("bus: users: %s names nobody, want lines: name password watch", path)
	}
	return list, nil
}
