package sweep

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"kerbline/cmd/kerbline/internal/settings"
	"kerbline/fusion"
	"kerbline/fusion/score"
	"kerbline/fusion/tune"
	"kerbline/fusion/words"
)

// value returns the number that key has in cfg, NaN for a key that is no
// single number.
func value(cfg *fusion.Config, key string) float64 {
	v := reflect.ValueOf(cfg).Elem()
	for part := range strings.SplitSeq(key, ".") {
		if v.Kind() != reflect.Struct {
			return math.NaN()
		}
		fields := reflect.VisibleFields(v.Type())
		i := slices.IndexFunc(fields, func(f reflect.StructField) bool { return f.Tag.Get("toml") == part })
		if i < 0 {
			return math.NaN()
		}
		v = v.FieldByIndex(fields[i].Index)
	}
	switch v.Kind() {
	case reflect.Float64:
		return v.Float()
	case reflect.Int:
		return float64(v.Int())
	}
	return math.NaN()
}

// Steps returns how many value numbers a setting of the grid is from those in
// base, counted from the nearest value of each axis.
func Steps(g tune.Grid, base *fusion.Config) func(setting int) float64 {
	home := make([]int, len(g))
	for k, a := range g {
		b := value(base, a.Key)
		best := math.Inf(1)
		for i, t := range a.Values {
			v, _ := strconv.ParseFloat(t, 64)
			if d := math.Abs(v - b); d < best {
				best, home[k] = d, i
			}
		}
	}
	return func(setting int) float64 {
		if setting < 0 {
			return 0
		}
		var n float64
		for k, p := range g.Place(setting) {
			n += math.Abs(float64(p - home[k]))
		}
		return n
	}
}

// Report is the outcome of a sweep, ready to print.
type Report struct {
	Plan    *tune.Plan
	Base    fusion.Config // the settings the sweep started from, of the first recording
	Rows    []tune.Ranked // ranked
	Chosen  int           // in Rows
	Missing int           // cells without an outcome
	Check   *Check        // nil without held-out recordings
}

// Check is what the chosen settings and those the sweep started from were worth
// on recordings that had no part in the choice.
type Check struct {
	Names       []string
	Chosen, Old tune.Figures
}

// start returns the row of the settings the sweep started from, nil when there
// is none.
func (r *Report) start() *tune.Ranked {
	for i := range r.Rows {
		if r.Rows[i].Index < 0 {
			return &r.Rows[i]
		}
	}
	return nil
}

// values returns the values of a row, as the settings file writes them.
func (r *Report) values(row *tune.Ranked) []string {
	out := make([]string, len(r.Plan.Grid))
	for k, a := range r.Plan.Grid {
		if row.Index < 0 {
			out[k] = strconv.FormatFloat(value(&r.Base, a.Key), 'g', 6, 64)
			continue
		}
		out[k] = a.Values[r.Plan.Grid.Place(row.Index)[k]]
	}
	return out
}

// name is how a setting is called in print.
func name(row *tune.Ranked) string {
	if row.Index < 0 {
		return "start"
	}
	return "#" + strconv.Itoa(row.Index)
}

// shown bounds the rows of the printed table.
const shown = 15

// Write prints the undominated settings, the choice, and what the counts prove.
func (r *Report) Write(w io.Writer) error {
	b := bufio.NewWriter(w)
	g := r.Plan.Grid
	fmt.Fprintf(b, "%d settings of %d keys over %d recordings, judged by %s\n", g.Len(), len(g), len(r.Plan.Sources), r.references())
	if r.Missing > 0 {
		fmt.Fprintf(b, "%d of %d runs are missing: settings without all their runs are left out\n", r.Missing, (g.Len()+1)*len(r.Plan.Sources))
	}
	if len(r.Rows) == 0 {
		fmt.Fprintln(b, "nothing to rank")
		return b.Flush()
	}
	front := 0
	for i := range r.Rows {
		if r.Rows[i].Undominated {
			front++
		}
	}
	fmt.Fprintf(b, "%d settings that nothing beats (fewest misleading seconds, then availability, time to alert, false alarms):\n\n", front)
	keys := make([]string, len(g))
	width := make([]int, len(g))
	for k, a := range g {
		keys[k] = a.Key
		width[k] = max(len(a.Key), 8)
	}
	fmt.Fprintf(b, "%8s", "setting")
	for k := range keys {
		fmt.Fprintf(b, "  %*s", width[k], keys[k])
	}
	fmt.Fprintf(b, "  %12s  %11s  %9s  %9s  %6s  %7s\n", "misleading s", "runs/h <=", "available", "alert p95", "missed", "false/h")
	line := func(row *tune.Ranked, mark string) {
		fmt.Fprintf(b, "%8s", name(row))
		for k, v := range r.values(row) {
			fmt.Fprintf(b, "  %*s", width[k], v)
		}
		f := &row.Figures
		goals := f.Goals()
		fmt.Fprintf(b, "  %12s  %11s  %9s  %9s  %6d  %7s%s\n", number(goals[tune.GoalMisleading], "%.1f"), number(f.Bounds().Runs, "%.3g"), percent(f.Availability()),
			number(f.DelayP95(), "%.2f s"), f.Missed, number(f.FalseRate(), "%.2f"), mark)
	}
	for i := range r.Rows {
		row := &r.Rows[i]
		if !row.Undominated {
			break
		}
		mark := ""
		if i == r.Chosen {
			mark = "  <- chosen"
		}
		if i < shown || i == r.Chosen {
			line(row, mark)
		} else if i == shown {
			fmt.Fprintf(b, "%8s  and %d more\n", "", front-shown)
		}
	}
	if c := &r.Rows[r.Chosen]; !c.Undominated {
		line(c, "  <- chosen, though not undominated")
	}
	old := r.start()
	if old != nil && !old.Undominated {
		line(old, fmt.Sprintf("  beaten by #%d", old.By))
	}
	fmt.Fprintf(b, "runs/h <=: misleading runs an hour of usable driving, at most, at %g %%\n\n", 100*score.Confidence)
	c := &r.Rows[r.Chosen]
	if c.Index < 0 {
		fmt.Fprintln(b, "kept      the present settings: no other is better beyond chance")
	}
	for _, w := range r.Warnings() {
		fmt.Fprintf(b, "careful   %s\n", w)
	}
	r.proof(b, "chosen", &c.Figures)
	if old != nil && old.Index != c.Index {
		r.proof(b, "start", &old.Figures)
		fmt.Fprintf(b, "chosen and start %s\n", tune.Compare(&c.Figures, &old.Figures).Words())
	}
	if k := r.Check; k != nil {
		fmt.Fprintf(b, "\nheld out: %s\n", strings.Join(k.Names, ", "))
		r.proof(b, "chosen", &k.Chosen)
		r.proof(b, "start", &k.Old)
		fmt.Fprintf(b, "chosen: on what it was chosen by and held out %s\n", tune.Compare(&c.Figures, &k.Chosen).Words())
		fmt.Fprintf(b, "held out: chosen and start %s\n", tune.Compare(&k.Chosen, &k.Old).Words())
	}
	return b.Flush()
}

// Warnings says what is to be known of the chosen values before they are taken.
func (r *Report) Warnings() (out []string) {
	c := &r.Rows[r.Chosen]
	if c.Index < 0 {
		return nil
	}
	for k, v := range r.values(c) {
		a := &r.Plan.Grid[k]
		out = append(out, a.Warnings(value(&r.Base, a.Key), v)...)
	}
	return out
}

// proof prints what the counts of f prove.
func (r *Report) proof(b io.Writer, who string, f *tune.Figures) {
	for _, l := range Evidence(f) {
		fmt.Fprintf(b, "%-8s  %s\n", who, l)
		who = ""
	}
}

// Evidence is f in words, a line a figure.
func Evidence(f *tune.Figures) []string {
	p := f.Bounds()
	var out []string
	if f.UsableJudged > 0 {
		out = append(out, fmt.Sprintf("misleading %.1f s in %d runs of %.2f h judged usable: fewer than %.3g runs an hour at %g %%, %.1f h more without one to claim fewer than 1",
			f.Misleading, f.Runs, f.UsableJudged/3600, p.Runs, 100*score.Confidence, p.MoreTime))
	} else {
		out = append(out, "misleading: not judged")
	}
	if f.Driving > 0 && f.Judged < 0.99*f.Driving {
		out = append(out, fmt.Sprintf("judged %.0f s of %.0f s of driving", f.Judged, f.Driving))
	}
	out = append(out, fmt.Sprintf("available %s of %.0f s of driving", percent(f.Availability()), f.Settled))
	if n := len(f.Delays) + f.Missed; n > 0 {
		out = append(out, fmt.Sprintf("time to alert 95th percentile %s; %d of %d shifts missed, at most %.1f %% at %g %%",
			number(f.DelayP95(), "%.2f s"), f.Missed, n, 100*p.Missed, 100*score.Confidence))
	}
	if f.AlarmHours > 0 {
		out = append(out, fmt.Sprintf("false alarms %d in %.2f h of driving: fewer than %.3g an hour at %g %%", f.FalseAlarms, f.AlarmHours, p.False, 100*score.Confidence))
	}
	if f.Lines > 0 {
		out = append(out, fmt.Sprintf("errors within their protection levels on %s of %d lines", percent(float64(f.Bounded)/float64(f.Lines)), f.Lines))
	}
	return out
}

func (r *Report) references() string {
	var kinds []string
	for _, s := range r.Plan.Sources {
		if !slices.Contains(kinds, s.Reference) {
			kinds = append(kinds, s.Reference)
		}
	}
	return strings.Join(kinds, "; ")
}

func number(v float64, format string) string {
	switch {
	case math.IsNaN(v):
		return "-"
	case math.IsInf(v, 0):
		return "never"
	}
	return fmt.Sprintf(format, v)
}

// percent is a share in %, "-" where there is none.
func percent(x float64) string {
	if math.IsNaN(x) {
		return "-"
	}
	return words.Percent(x)
}

// WriteCSV writes all ranked settings, a line each.
func (r *Report) WriteCSV(w io.Writer) error {
	b := bufio.NewWriter(w)
	fmt.Fprint(b, "setting")
	for _, a := range r.Plan.Grid {
		fmt.Fprintf(b, ",%s", a.Key)
	}
	fmt.Fprintln(b, ",undominated,beaten_by,misleading_s,misleading_runs,judged_usable_h,runs_per_h_upper95,availability,driving_s,alert_p95_s,shifts,missed,missed_upper95,false_alarms,driving_h,false_per_h_upper95,bounded_lines,lines")
	num := func(v float64) string {
		if math.IsNaN(v) {
			return ""
		}
		return strconv.FormatFloat(v, 'g', 8, 64)
	}
	for i := range r.Rows {
		row := &r.Rows[i]
		f := &row.Figures
		p := f.Bounds()
		by := ""
		if !row.Undominated {
			by = strconv.Itoa(row.By)
		}
		fmt.Fprintf(b, "%d,%s,%t,%s,%s,%d,%s,%s,%s,%s,%s,%d,%d,%s,%d,%s,%s,%d,%d\n", row.Index, strings.Join(r.values(row), ","), row.Undominated, by,
			num(f.Goals()[tune.GoalMisleading]), f.Runs, num(f.UsableJudged/3600), num(p.Runs), num(f.Availability()), num(f.Settled),
			num(f.DelayP95()), len(f.Delays)+f.Missed, f.Missed, num(p.Missed), f.FalseAlarms, num(f.AlarmHours), num(p.False), f.Bounded, f.Lines)
	}
	return b.Flush()
}

// WriteTOML writes the chosen settings with their evidence in comments. base is
// the settings file that the sweep started from when all recordings agree on
// it, and then the file is whole; else nil, and it holds the varied keys only.
func (r *Report) WriteTOML(w io.Writer, base *settings.File) error {
	b := bufio.NewWriter(w)
	c := &r.Rows[r.Chosen]
	assign := r.assign(c)
	names := make([]string, len(r.Plan.Sources))
	for i, s := range r.Plan.Sources {
		names[i] = s.Name
	}
	fmt.Fprintf(b, "# Chosen by kerbline tune from %d settings over %s, judged by %s:\n", r.Plan.Grid.Len(), strings.Join(names, ", "), r.references())
	comment := func(head string, f *tune.Figures) {
		fmt.Fprintf(b, "# %s\n", head)
		for _, l := range Evidence(f) {
			fmt.Fprintf(b, "#   %s\n", l)
		}
	}
	for _, w := range r.Warnings() {
		fmt.Fprintf(b, "# careful: %s\n", w)
	}
	comment("these settings", &c.Figures)
	if old := r.start(); old != nil && old.Index != c.Index {
		comment("the settings the sweep started from", &old.Figures)
		fmt.Fprintf(b, "# both %s\n", tune.Compare(&c.Figures, &old.Figures).Words())
	}
	if k := r.Check; k != nil {
		comment("these settings, held out on "+strings.Join(k.Names, ", "), &k.Chosen)
		fmt.Fprintf(b, "# chosen by and held out %s\n", tune.Compare(&c.Figures, &k.Chosen).Words())
	}
	for _, a := range r.Plan.Grid {
		fmt.Fprintf(b, "# tried %s = %s\n", a.Key, strings.Join(a.Values, " "))
	}
	if base == nil {
		fmt.Fprintln(b, "# The recordings came with different settings: only the varied keys stand here.")
		d := settings.Default()
		base = &d
	}
	out := *base
	for _, a := range assign {
		if err := out.Set(a); err != nil {
			return err
		}
	}
	if err := b.Flush(); err != nil {
		return err
	}
	return settings.PrintChanged(w, &out)
}

// assign returns a row's settings as key=value.
func (r *Report) assign(row *tune.Ranked) []string {
	if row.Index < 0 {
		return nil
	}
	return r.Plan.Grid.Assign(row.Index)
}

// Assign returns the chosen settings as key=value; none when the choice is to
// change nothing.
func (r *Report) Assign() []string { return r.assign(&r.Rows[r.Chosen]) }
