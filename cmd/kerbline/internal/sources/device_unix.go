//go:build unix

package sources

import (
	"os"
	"syscall"
)

// nonblock makes opening a pipe not wait for a writer, and reads interruptible.
const nonblock = syscall.O_NONBLOCK

// openDevice opens a port for writing with deadlines and locks it against
// other programs that lock; the superuser is not stopped by TIOCEXCL.
func openDevice(path string) (*os.File, error) {
	f, err := os.OpenFile(path, os.O_RDWR|syscall.O_NOCTTY|syscall.O_NONBLOCK, 0)
	if err != nil {
		return nil, err
	}
	// Not f.Fd(): that would put the descriptor into blocking mode.
	raw, err := f.SyscallConn()
	if err == nil {
		var locked error
		err = raw.Control(func(fd uintptr) { locked = syscall.Flock(int(fd), syscall.LOCK_EX|syscall.LOCK_NB) })
		if err == nil && locked != nil {
			err = errBusy
		}
	}
	if err != nil {
		f.Close()
		return nil, err
	}
	return f, nil
}
