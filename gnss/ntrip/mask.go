package ntrip

import (
	"bytes"
	"io"
)

// leastMasked is the length, in bytes, of the shortest password looked for in
// the data: shorter ones stand in correction frames by chance. The credential of
// the request is always longer.
const leastMasked = 5

// heldBack is how many bytes at the end of a piece must look like the beginning
// of a secret before they wait for the next piece: one or two do by chance in
// every hundredth piece, and corrections are not to be late.
const heldBack = 3

// masked is a stream in which the caster's user and password, plain or as the
// request held them, are overwritten: a caster may send back what it heard, and
// what a stream holds is recorded and passed on. Lengths do not change.
type masked struct {
	r       io.Reader
	secrets [][]byte
	buf     []byte // read and not yet given
	ready   int    // of it, may be given
	told    int    // bytes at its beginning that were given already
	err     error
}

// mask returns r without the secrets of t.
func (t Target) mask(r io.Reader) io.Reader {
	m := &masked{r: r}
	if len(t.password) >= leastMasked {
		m.secrets = append(m.secrets, []byte(t.password))
	}
	if b := t.basic(); b != "" {
		m.secrets = append(m.secrets, []byte(b))
	}
	if len(m.secrets) == 0 {
		return r
	}
	return m
}

func (m *masked) Read(p []byte) (int, error) {
	for m.ready == m.told && m.err == nil {
		n, err := m.r.Read(p)
		m.buf, m.err = append(m.buf, p[:n]...), err
		m.scan()
	}
	n := copy(p, m.buf[m.told:m.ready])
	m.told += n
	if m.told < m.ready {
		return n, nil
	}
	// Up to as many bytes as may begin a secret stay, given or not.
	keep := len(m.buf) - m.begun()
	if m.err != nil {
		return n, m.err
	}
	m.buf = append(m.buf[:0], m.buf[keep:]...)
	m.told -= keep
	m.ready -= keep
	return n, nil
}

// scan overwrites what is whole and says how much may be given.
func (m *masked) scan() {
	for _, s := range m.secrets {
		for at := 0; ; {
			i := bytes.Index(m.buf[at:], s)
			if i < 0 {
				break
			}
			for k := range s {
				m.buf[at+i+k] = '*'
			}
			at += i + len(s)
		}
	}
	m.ready = len(m.buf)
	if n := m.begun(); n >= heldBack {
		m.ready = max(m.told, len(m.buf)-n)
		if m.err != nil { // it never came whole
			for i := m.ready; i < len(m.buf); i++ {
				m.buf[i] = '*'
			}
			m.ready = len(m.buf)
		}
	}
}

// begun returns how many bytes at the end may be the beginning of a secret.
func (m *masked) begun() int {
	most := 0
	for _, s := range m.secrets {
		for n := min(len(s)-1, len(m.buf)); n > most; n-- {
			if bytes.HasSuffix(m.buf, s[:n]) {
				most = n
			}
		}
	}
	return most
}
