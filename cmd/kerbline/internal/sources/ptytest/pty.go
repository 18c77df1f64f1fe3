//go:build linux

// Package ptytest makes pseudo-terminals that stand in for serial devices in
// tests: the test holds the device's end and plugs it in and out, the program
// under test opens the other end by its path. Bytes go through unchanged; there
// are no units and no frames.
//
// Start at [New].
package ptytest

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"golang.org/x/sys/unix"
)

// Port is a pseudo-terminal: the test holds the device's end, the program
// under test opens Path.
type Port struct {
	*os.File
	Path string // a link, as if the system had named the device
	dev  string
}

// New plugs in a device under path, which must be free.
func New(t testing.TB, path string) *Port {
	t.Helper()
	m, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK, 0)
	if err != nil {
		t.Skipf("no pseudo-terminals here: %v", err)
	}
	var n uint32
	raw, err := m.SyscallConn()
	if err != nil {
		t.Fatal(err)
	}
	raw.Control(func(fd uintptr) {
		if err = unix.IoctlSetPointerInt(int(fd), unix.TIOCSPTLCK, 0); err == nil {
			n, err = unix.IoctlGetUint32(int(fd), unix.TIOCGPTN)
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	p := &Port{File: m, Path: path, dev: fmt.Sprintf("/dev/pts/%d", n)}
	// Raw from the beginning: what the device sends before the port is opened
	// must not be echoed back.
	s, err := os.OpenFile(p.dev, os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	tio, err := unix.IoctlGetTermios(int(s.Fd()), unix.TCGETS)
	if err != nil {
		t.Fatal(err)
	}
	tio.Iflag, tio.Oflag, tio.Lflag = 0, 0, 0
	if err := unix.IoctlSetTermios(int(s.Fd()), unix.TCSETS, tio); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(p.dev, path); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(p.Unplug)
	return p
}

// Unplug removes the device.
func (p *Port) Unplug() {
	if to, err := os.Readlink(p.Path); err == nil && to == p.dev {
		os.Remove(p.Path)
	}
	p.File.Close()
}

// Also gives the device a second name, as the system does by maker and serial
// number.
func (p *Port) Also(t testing.TB, link string) {
	t.Helper()
	os.MkdirAll(filepath.Dir(link), 0o755)
	os.Remove(link)
	if err := os.Symlink(p.dev, link); err != nil {
		t.Fatal(err)
	}
}
