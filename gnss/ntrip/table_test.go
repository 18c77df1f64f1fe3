package ntrip

import (
	"bufio"
	"context"
	"errors"
	"io"
	"log"
	"math"
	"net"
	"net/http"
	"net/http/httptest"
	"reflect"
	"strings"
	"testing"
)

var quiet = log.New(io.Discard, "", 0)

// go-gnss/ntrip sourcetable_test.go (02b5a66), sourcetableString.
const publishedTable = "CAS;host;2101;identifier;operator;0;AUS;0.1000;-0.1000;fallback;12101;misc\r\n" +
	"CAS;host2;2102;identifier2;operator2;1;AUS;-0.1000;0.1000;fallback2;12102;misc2\r\n" +
	"NET;identifier;operator;B;N;https://network.info;https://stream.info;register@operator.io;misc\r\n" +
	"NET;identifier2;operator2;N;Y;https://network2.info;https://stream2.info;register2@operator.io;misc2\r\n" +
	"STR;name;identifier;format;format details;carrier;nav system;network;AUS;1.0000;-1.0000;0;0;generator;compression;N;N;0;misc\r\n" +
	"STR;name2;identifier2;format2;format details2;carrier2;nav system2;network2;AUS;2.0000;-2.0000;1;1;generator2;compression2;B;Y;0;misc2\r\n" +
	"ENDSOURCETABLE\r\n"

var wantTable = &Table{
	Streams: []STR{
		{"name", "identifier", "format", "format details", -1, "nav system", "network", "AUS", 1, -1, false, false, "generator", "compression", "N", false, 0, "misc"},
		{"name2", "identifier2", "format2", "format details2", -1, "nav system2", "network2", "AUS", 2, -2, true, true, "generator2", "compression2", "B", true, 0, "misc2"},
	},
	Casters: []CAS{
		{"host", "2101", "identifier", "operator", false, "AUS", 0.1, -0.1, "fallback", "12101", "misc"},
		{"host2", "2102", "identifier2", "operator2", true, "AUS", -0.1, 0.1, "fallback2", "12102", "misc2"},
	},
	Networks: []NET{
		{"identifier", "operator", "B", false, "https://network.info", "https://stream.info", "register@operator.io", "misc"},
		{"identifier2", "operator2", "N", true, "https://network2.info", "https://stream2.info", "register2@operator.io", "misc2"},
	},
}

func TestParseTable_GoGNSS(t *testing.T) {
	if got := parseTable(publishedTable); !reflect.DeepEqual(got, wantTable) {
		t.Errorf("got  %+v\nwant %+v", got, wantTable)
	}
}

func TestParseTableOdd(t *testing.T) {
	got := parseTable("STR;SHORT\nSTR;M;i;RTCM 3.2;1005(10),1077(1);2;GPS+GLO;N;AUS;91;359.5;1;0;g;none;B;N;9600;a;b;c\n\nnonsense here\nCAS;h\nNET\n")
	if len(got.Streams) != 2 || len(got.Casters) != 1 || len(got.Networks) != 1 || got.Refused != 1 {
		t.Fatalf("%+v", got)
	}
	if s := got.Streams[0]; s.Mount != "SHORT" || !math.IsNaN(s.Lat) || s.Carrier != -1 || s.Bitrate != -1 {
		t.Errorf("short record: %+v", s)
	}
	if s := got.Streams[1]; !math.IsNaN(s.Lat) || s.Lon != -0.5 || s.Carrier != 2 || s.Bitrate != 9600 || s.Misc != "a;b;c" || !s.NeedsGGA {
		t.Errorf("full record: %+v", s)
	}
}

func TestTable(t *testing.T) {
	v1 := func(_ string, c net.Conn, _ *bufio.Reader) {
		// go-gnss/ntrip handler_test.go (0106942), v1Sourcetable.
		io.WriteString(c, "SOURCETABLE 200 OK\r\nConnection: close\r\nContent-Type: text/plain\r\nContent-Length: 609\r\n\r\n"+publishedTable)
	}
	icy := func(_ string, c net.Conn, _ *bufio.Reader) { io.WriteString(c, "ICY 200 OK\r\n"+publishedTable) }
	v2 := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path != "/" || r.Header.Get("Ntrip-Version") != "Ntrip/2.0" {
			w.WriteHeader(http.StatusNotFound)
			return
		}
		w.Header().Set("Content-Type", "gnss/sourcetable")
		io.WriteString(w, publishedTable)
	}))
	defer v2.Close()
	for name, addr := range map[string]string{"v1": raw(t, v1), "icy": raw(t, icy), "v2": v2.Listener.Addr().String()} {
		// A mount point in the URL does not matter here.
		got, err := client(t, "ntrip://"+addr+"/QUARRY").Table(context.Background())
		if err != nil || !reflect.DeepEqual(got, wantTable) {
			t.Errorf("%s: %+v, %v", name, got, err)
		}
	}
	page := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { io.WriteString(w, "<html>\nhello\n") }))
	defer page.Close()
	var r *Refusal
	if _, err := client(t, "ntrip://"+page.Listener.Addr().String()).Table(context.Background()); !errors.As(err, &r) || r.Kind != NotData {
		t.Errorf("a page: %v", err)
	}
}

func FuzzReply(f *testing.F) {
	f.Add([]byte("ICY 200 OK\r\nServer: x\r\n\r\n\xd3\x00"))
	f.Add([]byte("HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n3\r\nabc\r\n0\r\n\r\n"))
	f.Add([]byte("SOURCETABLE 200 OK\r\n\r\n" + publishedTable))
	f.Add([]byte("ERROR - Bad Password\r\n"))
	f.Fuzz(func(t *testing.T, reply []byte) {
		for _, mount := range []string{"M", ""} {
			c := &Client{Target: Target{Host: "caster.example:2101", Mount: mount, User: "u", password: testPassword}}
			br := bufio.NewReader(strings.NewReader(string(reply)))
			v, resp, err := c.reply(br, 0)
			if err != nil {
				if !strings.HasPrefix(err.Error(), "ntrip: ") || strings.Contains(err.Error(), testPassword) {
					t.Errorf("error %q", err)
				}
				continue
			}
			var body io.Reader = &icyBody{br: br}
			if v == 2 || resp != nil {
				body = resp.Body
			}
			io.Copy(io.Discard, body)
		}
	})
}
