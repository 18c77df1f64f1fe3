package wall

import (
	"context"
	"encoding/json"
	"fmt"
	"html"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"sync/atomic"
	"testing"
	"time"

	"kerbline/fusion"
)

// measure opens the page as on a phone and on a desk, and as one that is cut off after its
// first state, and writes what stands there once both said something and a while after.
const measure = `<!DOCTYPE html><title>measured</title><style>iframe{border:0}</style>
<iframe id=phone width=390 height=844 src="/"></iframe><iframe id=desk width=1366 height=768 src="/"></iframe><iframe id=stale width=390 height=844 src="/once/"></iframe>
<pre id=out>{}</pre><img src="/wait" alt=""><script>
setInterval(() => {
 const out = {};
 for (const f of document.querySelectorAll('iframe')) {
  const d = f.contentDocument, cards = [...d.querySelectorAll('article')];
  out[f.id] = {width: d.documentElement.scrollWidth, lost: d.body.classList.contains('lost'), said: cards.map(c => c.querySelector('.word').textContent),
   share: cards.map(c => c.querySelector('.share').textContent), columns: new Set(cards.map(c => c.getBoundingClientRect().left)).size};
 }
 document.getElementById('out').textContent = JSON.stringify(out);
}, 100);
</script>`

type shownPage struct {
	Width, Columns int
	Lost           bool
	Said, Share    []string
}

// On a phone cards stand below each other, on a desk side by side, nothing is wider than
// the screen; a page that hears nothing any more says so on every card by itself.
func TestChromium(t *testing.T) {
	bin, err := exec.LookPath("chromium")
	if err != nil || testing.Short() {
		t.Skip("chromium is not installed, or takes too long")
	}
	w, list, now := set(t, "red", "blue", "green")
	list[1].snap.Verdict, list[1].snap.LeaveIn = fusion.Coasting, 3.4
	list[1].snap.Reasons[0] = fusion.Reason{Code: "corr-age", Value: 31.2, Limit: 10, Unit: "s"}
	list[1].snap.NReasons = 1
	settle(now, list)
	w.Bus("connected to nats://127.0.0.1:4222", true)
	page := w.Handler()
	mux := http.NewServeMux()
	open := func(rw http.ResponseWriter, r *http.Request) { page.ServeHTTP(framed{rw}, r) }
	mux.HandleFunc("/", open)
	mux.HandleFunc("/once/state", func(rw http.ResponseWriter, r *http.Request) { // one state, then nothing
		b, _ := json.Marshal(w.look())
		rw.Header().Set("Content-Type", "text/event-stream")
		fmt.Fprintf(rw, "data: %s\n\n", b)
		http.NewResponseController(rw).Flush()
		<-r.Context().Done()
	})
	mux.Handle("/once/", http.StripPrefix("/once", http.HandlerFunc(open)))
	var wait atomic.Int64
	mux.HandleFunc("/wait", func(http.ResponseWriter, *http.Request) { time.Sleep(time.Duration(wait.Load())) }) // what is loaded is measured
	mux.HandleFunc("/measure", func(rw http.ResponseWriter, _ *http.Request) { fmt.Fprint(rw, measure) })
	srv := httptest.NewServer(mux)
	defer srv.Close()
	defer srv.CloseClientConnections()
	dir := t.TempDir()
	if keep := os.Getenv("KERBLINE_SCREENSHOTS"); keep != "" {
		dir = keep
	}
	var got map[string]shownPage
	for long := 3 * time.Second; long < time.Minute; long *= 3 { // a busy computer takes longer
		wait.Store(int64(long))
		ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
		out, err := exec.CommandContext(ctx, bin, "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking", "--disable-component-update",
			"--disable-sync", "--hide-scrollbars", "--user-data-dir="+t.TempDir(), "--window-size=2200,900",
			"--screenshot="+filepath.Join(dir, "wall.png"), "--dump-dom", srv.URL+"/measure").Output()
		cancel()
		if err != nil {
			t.Fatalf("chromium: %v", err)
		}
		got = nil
		if m := regexp.MustCompile(`(?s)<pre id="out">(.*?)</pre>`).FindSubmatch(out); m != nil {
			_ = json.Unmarshal([]byte(html.UnescapeString(string(m[1]))), &got)
		}
		if len(got["phone"].Said) == 3 && len(got["desk"].Said) == 3 && len(got["stale"].Said) == 3 && got["stale"].Lost {
			break
		}
	}
	t.Logf("%+v", got)
	for name, width := range map[string]int{"phone": 390, "desk": 1366} {
		p := got[name]
		if p.Width > width || p.Lost || len(p.Said) != 3 || p.Said[0] != "COAST" || p.Said[2] != "SLOW" || p.Share[2] == "" || (p.Columns > 1) != (name == "desk") {
			t.Errorf("%s: %+v", name, p)
		}
	}
	if p := got["stale"]; !p.Lost || len(p.Said) != 3 || p.Said[0] != "NO DATA" || p.Said[2] != "NO DATA" {
		t.Errorf("cut off: %+v", p)
	}
}

// framed lets the page be framed, which its policy forbids.
type framed struct{ http.ResponseWriter }

func (f framed) WriteHeader(code int) {
	f.Header().Del("Content-Security-Policy")
	f.ResponseWriter.WriteHeader(code)
}

func (f framed) Write(b []byte) (int, error) {
	f.Header().Del("Content-Security-Policy")
	return f.ResponseWriter.Write(b)
}

func (f framed) Unwrap() http.ResponseWriter { return f.ResponseWriter }
