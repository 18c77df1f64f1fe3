package sources

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"sort"
	"syscall"
	"time"

	"go.bug.st/serial"
)

// byID is where the system lists devices by maker and serial number, which
// stay the same when a replugged device gets another name.
var byID = "/dev/serial/by-id"

// identity is the set of lasting names of a device.
type identity []string

// identify returns the lasting names of the device at path.
func identify(path string) (names identity) {
	real, err := filepath.EvalSymlinks(path)
	if err != nil {
		return nil
	}
	list, _ := os.ReadDir(byID)
	for _, e := range list {
		link := filepath.Join(byID, e.Name())
		if to, err := filepath.EvalSymlinks(link); err == nil && to == real {
			names = append(names, link)
		}
	}
	return names
}

// Ports lists the serial devices that are plugged in, for messages.
func Ports() (list []string) {
	for _, pattern := range []string{byID + "/*", "/dev/ttyACM*", "/dev/ttyUSB*"} {
		m, _ := filepath.Glob(pattern)
		list = append(list, m...)
	}
	return list
}

// shares reports whether two devices have a lasting name in common.
func (a identity) shares(b identity) bool {
	return slices.ContainsFunc(a, func(s string) bool { return slices.Contains(b, s) })
}

// candidates lists the devices to try, best first: the one that was open
// before under its lasting name, then what the URL names. A device known to be
// another one is left out: after a replug the old name may belong to the
// inertial sensor.
func (s *Source) candidates() (list []string) {
	for _, link := range s.known {
		if _, err := os.Stat(link); err == nil {
			list = append(list, link)
		}
	}
	for _, pattern := range s.spec.Paths {
		found := []string{pattern}
		if m, _ := filepath.Glob(pattern); len(m) > 0 {
			sort.Strings(m)
			found = m
		}
		for _, p := range found {
			if len(s.known) > 0 {
				if id := identify(p); len(id) > 0 && !id.shares(s.known) && len(s.spec.Paths) == 1 && len(found) == 1 {
					continue
				}
			}
			if !slices.Contains(list, p) {
				list = append(list, p)
			}
		}
	}
	return list
}

// serialConn is an open port. The library sets it up and reads it; what is
// written goes through a descriptor of our own, whose writes obey a deadline:
// the library's block without limit when the device takes nothing.
type serialConn struct {
	port serial.Port
	own  *os.File // holds the lock, takes the writes
	text string
}

func (c *serialConn) about() string                      { return c.text }
func (c *serialConn) SetWriteDeadline(t time.Time) error { return c.own.SetWriteDeadline(t) }
func (c *serialConn) Write(b []byte) (int, error)        { return c.own.Write(b) }

func (c *serialConn) Close() error {
	c.own.Close()
	return c.port.Close()
}

// Read returns errIdle when nothing came for a tenth of a second: the library
// must not be closed during a read, so reads are short.
func (c *serialConn) Read(b []byte) (n int, err error) {
	// With more than 1023 open descriptors the library's select panics.
	defer func() {
		if p := recover(); p != nil {
			n, err = 0, fmt.Errorf("serial library: %v", p)
		}
	}()
	n, err = c.port.Read(b)
	if n == 0 && err == nil {
		return 0, errIdle
	}
	return n, err
}

func (s *Source) openSerial() (conn, error) {
	list := s.candidates()
	// Where the device just tried sends the wrong thing, begin behind it.
	s.mu.Lock()
	s.many = len(list) > 1
	if s.giveUp && s.many {
		s.giveUp = false
		if i := slices.Index(list, s.tried); i >= 0 {
			list = append(slices.Clone(list[i+1:]), list[:i+1]...)
		}
		s.known = nil
	}
	s.mu.Unlock()

	var first error
	for _, path := range list {
		c, err := openPort(path, s.spec.Baud)
		if err != nil {
			if first == nil {
				first = err
			}
			continue
		}
		id := identify(path)
		s.mu.Lock()
		s.tried = path
		s.known = id
		s.mu.Unlock()
		return c, nil
	}
	if first == nil {
		first = &wordy{fmt.Sprintf("%s is another device now, the one before is not there", s.spec.Paths[0]), fs.ErrNotExist}
	}
	return nil, first
}

func openPort(path string, baud int) (*serialConn, error) {
	own, err := openDevice(path)
	if err != nil {
		return nil, portError(path, err)
	}
	port, err := serial.Open(path, &serial.Mode{BaudRate: baud})
	if err == nil {
		if err = port.SetReadTimeout(100 * time.Millisecond); err != nil {
			port.Close()
		}
	}
	if err != nil {
		own.Close()
		return nil, portError(path, err)
	}
	return &serialConn{port, own, fmt.Sprintf("open %s at %d baud", path, baud)}, nil
}

// errBusy is returned by openDevice for a port another program holds.
var errBusy = errors.New("busy")

func portError(path string, err error) error {
	var pe *serial.PortError
	code := serial.PortErrorCode(-1)
	if errors.As(err, &pe) {
		code = pe.Code()
	}
	say := func(format string) error { return &wordy{fmt.Sprintf(format, path), err} }
	switch {
	case errors.Is(err, errBusy), code == serial.PortBusy, errors.Is(err, syscall.EBUSY):
		return say("%s is busy: another program has it open")
	case errors.Is(err, fs.ErrPermission), code == serial.PermissionDenied:
		return say("no permission to open %s: add this user to the group that owns it (often dialout), then log in again")
	case errors.Is(err, fs.ErrNotExist), code == serial.PortNotFound:
		return say("no such device: %s (unplugged?)")
	case code == serial.InvalidSpeed:
		return say("%s does not know this baud rate")
	case code == serial.InvalidSerialPort:
		return say("%s is no serial port")
	case code == serial.PortClosed, errors.Is(err, io.EOF), errors.Is(err, syscall.EIO), errors.Is(err, syscall.ENXIO), errors.Is(err, syscall.ENODEV):
		return say("%s is gone: unplugged?")
	}
	return &wordy{fmt.Sprintf("%s: %v", path, err), err}
}
