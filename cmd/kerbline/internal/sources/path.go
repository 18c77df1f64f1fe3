package sources

import (
	"context"
	"io"
	"io/fs"
	"os"
	"time"
)

// pathConn is a file, a pipe or standard input.
type pathConn struct {
	*os.File
	text string
	pipe bool
	ctx  context.Context
}

func (c *pathConn) about() string { return c.text }

// Close leaves standard input open: another reader may follow.
func (c *pathConn) Close() error {
	if c.File == os.Stdin {
		return nil
	}
	return c.File.Close()
}

// Read of a named pipe outlives its writers: the next one goes on.
func (c *pathConn) Read(b []byte) (int, error) {
	for {
		n, err := c.File.Read(b)
		if err != io.EOF || !c.pipe || n > 0 {
			return n, err
		}
		select {
		case <-c.ctx.Done():
			return 0, c.ctx.Err()
		case <-time.After(20 * time.Millisecond):
		}
	}
}

func openPath(ctx context.Context, spec Spec) (conn, error) {
	if spec.Kind == Stdin {
		return &pathConn{File: os.Stdin, text: "reading standard input", ctx: ctx}, nil
	}
	path := spec.Paths[0]
	fi, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if fi.IsDir() {
		return nil, &wordy{"is a folder (to replay one: kerbline replay)", fs.ErrInvalid}
	}
	pipe := fi.Mode()&fs.ModeNamedPipe != 0
	f, err := os.OpenFile(path, os.O_RDONLY|nonblock, 0)
	if err != nil {
		return nil, err
	}
	text := "reading " + path
	if pipe {
		text = "reading pipe " + path
	}
	return &pathConn{File: f, text: text, pipe: pipe, ctx: ctx}, nil
}
