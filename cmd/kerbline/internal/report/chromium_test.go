package report

import (
	"context"
	"encoding/json"
	"fmt"
	gohtml "html"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
)

// measure is a page that shows the report at phone and laptop size and writes
// down where things are, px, and what the page's own script does.
const measure = `<!DOCTYPE html><body>
%s
<pre id="out"></pre>
<script>
onload = () => {
 const out = {};
 for (const f of document.querySelectorAll('iframe')) {
  const d = f.contentDocument, b = s => { const e = d.querySelector(s); return e ? Math.round(e.getBoundingClientRect().bottom) : -1 };
  const shown = e => e.getClientRects().length > 0;
  let small = 99;
  for (const t of d.querySelectorAll('.fig text')) if (shown(t.ownerSVGElement)) {
   const s = t.ownerSVGElement, k = s.getBoundingClientRect().width / s.viewBox.baseVal.width;
   small = Math.min(small, k * parseFloat(f.contentWindow.getComputedStyle(t).fontSize));
  }
  out[f.id] = {width: d.documentElement.scrollWidth, answer: b('h1'), facts: b('.facts'), first: b('.why li'), third: b('.why li:nth-child(3)'),
   broke: b('table.flow tbody tr'), map: b('.split figure .fig'), wide: [...d.querySelectorAll('.fig.wide')].filter(shown).length,
   narrow: [...d.querySelectorAll('.fig.narrow')].filter(shown).length, letters: small};
  const pieces = [...d.querySelectorAll('.piece')], visible = () => pieces.filter(shown), chooser = d.querySelector('.choose');
  const o = out[f.id];
  o.pieces = pieces.length; o.visible = visible().length; o.chooser = shown(chooser);
  const select = d.querySelector('.choose select');
  if (select.options.length < 2) continue;
  select.value = '1'; select.onchange && select.onchange();
  o.second = visible().length === 1 && visible()[0] === pieces[1];
  const levels = visible()[0].querySelector('svg[data-a]'), box = levels.getBoundingClientRect();
  levels.dispatchEvent(new f.contentWindow.PointerEvent('pointermove', {clientX: box.left + box.width / 2, clientY: box.top + 80, bubbles: true}));
  o.cursors = [...d.querySelectorAll('svg .cursor')].filter(e => shown(e.ownerSVGElement)).length;
  o.read = d.querySelector('.read').textContent;
  const before = levels.getAttribute('viewBox');
  chooser.querySelector('[data-do=closer]').click();
  o.zoomed = before !== levels.getAttribute('viewBox');
  chooser.querySelector('[data-do=whole]').click();
  o.whole = before === levels.getAttribute('viewBox');
  const verdict = [...d.querySelectorAll('svg[data-a]')].filter(e => shown(e) && !e.closest('.piece'))[0], v = verdict.getBoundingClientRect();
  verdict.dispatchEvent(new f.contentWindow.MouseEvent('click', {clientX: v.left + v.width * 0.8, clientY: v.top + 60, bubbles: true}));
  o.jumped = visible().length === 1 && visible()[0] !== pieces[1];
 }
 document.getElementById('out').textContent = JSON.stringify(out);
};
</script>`

func chromium(t *testing.T, args ...string) string {
	t.Helper()
	bin := ""
	for _, name := range []string{"chromium", "chromium-browser"} {
		if p, err := exec.LookPath(name); err == nil {
			bin = p
		}
	}
	if bin == "" {
		t.Skip("chromium is not installed")
	}
	if testing.Short() {
		t.Skip("chromium takes seconds to start")
	}
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Minute)
	defer cancel()
	args = append([]string{"--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
		"--disable-component-update", "--disable-sync", "--hide-scrollbars", "--user-data-dir=" + t.TempDir()}, args...)
	out, err := exec.CommandContext(ctx, bin, args...).Output()
	if err != nil {
		t.Fatalf("chromium: %v", err)
	}
	return string(out)
}

// On a phone and on a laptop the first screen holds the answer, how fast, the
// first reason with what to do; nothing runs off to the side, and words stay
// readable. On A4 it prints as pages.
func TestChromium(t *testing.T) {
	dir := t.TempDir()
	if keep := os.Getenv("KERBLINE_SCREENSHOTS"); keep != "" {
		dir = keep
	}
	page := markup(t, fixture(t).page(t))
	file := filepath.Join(dir, "page.html")
	frames := ""
	for _, s := range []struct {
		id   string
		w, h int
	}{{"phone", 390, 844}, {"laptop", 1366, 768}} {
		frames += fmt.Sprintf(`<iframe id=%q width=%d height=%d style="border:0" srcdoc="%s"></iframe>`, s.id, s.w, s.h, gohtml.EscapeString(page))
	}
	harness := filepath.Join(dir, "measure.html")
	for name, text := range map[string]string{file: page, harness: fmt.Sprintf(measure, frames)} {
		if err := os.WriteFile(name, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	dom := chromium(t, "--window-size=1500,1800", "--screenshot="+filepath.Join(dir, "both.png"), "--dump-dom", "file://"+harness)
	m := regexp.MustCompile(`(?s)<pre id="out">(.*?)</pre>`).FindStringSubmatch(dom)
	if m == nil {
		t.Fatalf("nothing was measured: %.300s", dom)
	}
	type sizes struct {
		Width, Answer, Facts, First, Third, Broke, Map, Wide, Narrow int
		Letters                                                      float64
		Pieces, Visible, Cursors                                     int
		Chooser, Second, Zoomed, Whole, Jumped                       bool
		Read                                                         string
	}
	var got map[string]sizes
	if err := json.Unmarshal([]byte(gohtml.UnescapeString(m[1])), &got); err != nil {
		t.Fatalf("%v: %s", err, m[1])
	}
	t.Logf("%+v", got)
	phone, laptop := got["phone"], got["laptop"]
	for _, c := range []struct {
		what string
		ok   bool
	}{
		{"phone: nothing wider than 390 px", phone.Width <= 390},
		{"laptop: nothing wider than 1366 px", laptop.Width <= 1366},
		{"phone: answer, facts and first reason in the first 844 px", phone.Answer > 0 && phone.Facts > 0 && phone.First > 0 && max(phone.Answer, phone.Facts, phone.First) <= 844},
		{"laptop: answer, facts, three reasons, what broke and the map in the first 768 px", laptop.Third > 0 && laptop.Broke > 0 && laptop.Map > 0 && max(laptop.Answer, laptop.Facts, laptop.Third, laptop.Broke, laptop.Map) <= 768},
		{"phone: narrow figures only", phone.Narrow >= 4 && phone.Wide == 0},
		{"laptop: wide figures only", laptop.Wide >= 4 && laptop.Narrow == 0},
		{"one lap of several is enlarged", phone.Pieces >= 3 && phone.Visible == 1 && laptop.Visible == 1},
		{"the script lets one choose", phone.Chooser && phone.Second && laptop.Second},
		{"a moment is marked in all figures of it: three enlarged, four of the session", laptop.Cursors == 7 && phone.Cursors == 7 && strings.Contains(laptop.Read, " UTC, ")},
		{"closer and whole again", laptop.Zoomed && laptop.Whole && phone.Zoomed && phone.Whole},
		{"a click on a figure of the session enlarges that lap", laptop.Jumped && phone.Jumped},
		{"words of figures at least 11 px", phone.Letters >= 11 && laptop.Letters >= 11},
	} {
		if !c.ok {
			t.Errorf("not so: %s", c.what)
		}
	}

	// Without scripts the page shows the same, and nothing that would do nothing.
	still := strings.Replace(page, pageJS, "", 1)
	if err := os.WriteFile(harness, []byte(fmt.Sprintf(measure, fmt.Sprintf(`<iframe id="still" width=1366 height=768 style="border:0" srcdoc="%s"></iframe>`, gohtml.EscapeString(still)))), 0o666); err != nil {
		t.Fatal(err)
	}
	dom = chromium(t, "--window-size=1500,1800", "--screenshot="+filepath.Join(dir, "still.png"), "--dump-dom", "file://"+harness)
	if m = regexp.MustCompile(`(?s)<pre id="out">(.*?)</pre>`).FindStringSubmatch(dom); m == nil {
		t.Fatal("nothing was measured of the page without scripts")
	}
	if err := json.Unmarshal([]byte(gohtml.UnescapeString(m[1])), &got); err != nil {
		t.Fatalf("%v: %s", err, m[1])
	}
	if s := got["still"]; s.Visible != 1 || s.Chooser || s.Wide != laptop.Wide || s.Answer != laptop.Answer || s.Cursors != 0 {
		t.Errorf("without scripts: %+v", s)
	}

	pdf := filepath.Join(dir, "page.pdf")
	chromium(t, "--print-to-pdf="+pdf, "--no-pdf-header-footer", "file://"+file)
	data, err := os.ReadFile(pdf)
	if err != nil {
		t.Fatal(err)
	}
	text := string(data)
	pages := len(regexp.MustCompile(`/Type\s*/Page\b`).FindAllString(text, -1))
	if !strings.HasPrefix(text, "%PDF") || pages < 3 || pages > 12 {
		t.Errorf("%d printed pages, want 3 to 12", pages)
	}
	// A4 is 595 by 842 points.
	if !regexp.MustCompile(`/MediaBox\s*\[0 0 59[45](\.[0-9]+)? 84[12](\.[0-9]+)?\]`).MatchString(text) {
		t.Errorf("not printed on A4: %v", regexp.MustCompile(`/MediaBox\s*\[[^]]*\]`).FindString(text))
	}
}
