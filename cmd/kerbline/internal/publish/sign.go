package publish

import (
	"bytes"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"os"
	"strings"
)

// KeyEnv names the environment variable with the key that signs published verdicts.
const KeyEnv = "KERBLINE_PUBLISH_KEY"

// leastKey is the shortest key, bytes (common practice, no source).
const leastKey = 16

// Key signs published verdicts and checks them: HMAC-SHA-256 (RFC 2104) over the line as
// it stands, in a last field "mac". nil signs nothing and takes everything. It belongs to
// one goroutine.
type Key struct {
	mac hash.Hash
	sum [sha256.Size]byte
}

// errKey is the refusal of what was not signed with the key.
const errKey = "not signed with the key of " + KeyEnv

// LoadKey reads a key from a file that the user alone may read, or, where path is empty,
// from [KeyEnv]; nil where neither holds one.
func LoadKey(path string) (*Key, error) {
	text, from := os.Getenv(KeyEnv), KeyEnv
	if path != "" {
		fi, err := os.Stat(path)
		if err != nil {
			return nil, fmt.Errorf("publish: key: %w", err)
		}
		if fi.Mode().Perm()&0o077 != 0 {
			return nil, fmt.Errorf("publish: key: %s can be read by others (mode %04o), want chmod 600", path, fi.Mode().Perm())
		}
		b, err := os.ReadFile(path)
		if err != nil {
			return nil, fmt.Errorf("publish: key: %w", err)
		}
		text, from = string(b), path
	}
	text = strings.TrimSpace(text)
	switch {
	case text == "" && path == "":
		return nil, nil
	case len(text) < leastKey:
		return nil, fmt.Errorf("publish: the key in %s is shorter than %d characters", from, leastKey)
	case strings.ContainsRune(text, 0):
		return nil, errors.New("publish: the key holds a zero byte")
	}
	return &Key{mac: hmac.New(sha256.New, []byte(text))}, nil
}

// macField begins the last field of a signed line, and macTail is what follows the mac.
const (
	macField = `,"mac":"`
	macTail  = `"}`
	macSize  = len(macField) + 2*sha256.Size + len(macTail)
)

// Sign adds the field to a line, which is an object with or without a newline.
func (k *Key) Sign(line []byte) []byte {
	if k == nil {
		return line
	}
	body := bytes.TrimSuffix(bytes.TrimSuffix(line, []byte("\n")), []byte("}"))
	sum := k.of(body)
	line = append(body, macField...)
	line = hex.AppendEncode(line, sum)
	return append(line, macTail+"\n"...)
}

// Check reports whether a line was signed with the key.
func (k *Key) Check(line []byte) bool {
	if k == nil {
		return true
	}
	line = bytes.TrimSuffix(line, []byte("\n"))
	body := len(line) - macSize
	if body < 0 || string(line[body:body+len(macField)]) != macField || !bytes.HasSuffix(line, []byte(macTail)) {
		return false
	}
	var want [2 * sha256.Size]byte
	hex.Encode(want[:], k.of(line[:body]))
	return hmac.Equal(line[body+len(macField):len(line)-len(macTail)], want[:])
}

func (k *Key) of(body []byte) []byte {
	k.mac.Reset()
	k.mac.Write(body)
	return k.mac.Sum(k.sum[:0])
}
