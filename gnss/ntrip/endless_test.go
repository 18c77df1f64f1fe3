package ntrip

import (
	"bufio"
	"bytes"
	"errors"
	"io"
	"strings"
	"testing"
)

// TestEndlessHeaders sends headers without an end: nothing of them is data.
func TestEndlessHeaders(t *testing.T) {
	frame := "\xd3\x00\x00\x47\xea\x4b"
	for _, c := range []struct {
		what, sent string
		data       string
		want       error
	}{
		{"headers, then data", "Server: x\r\nDate: y\r\n\r\n" + frame, frame, nil},
		{"as many as are allowed", strings.Repeat("X: 0123456789\r\n", maxHeader/15-1) + "\r\n" + frame, frame, nil},
		{"too many", strings.Repeat("X: 0123456789\r\n", maxHeader/15+2) + "\r\n" + frame, "", errHeads},
		{"one without an end", "X: " + strings.Repeat("0", 4*maxHeaderLine), "", errHeads},
		{"a name without an end", strings.Repeat("X", 4*maxHeaderLine), "", errHeads},
	} {
		got, err := io.ReadAll(&icyBody{br: bufio.NewReaderSize(strings.NewReader(c.sent), 4096)})
		if !errors.Is(err, c.want) || !bytes.Equal(got, []byte(c.data)) {
			t.Errorf("%s: %d bytes of data, %v; want %d, %v", c.what, len(got), err, len(c.data), c.want)
		}
	}
}
