package dropouts

import (
	"math"
	"strconv"

	"kerbline/fusion/civil"
	"kerbline/gnss/corrections"
	"kerbline/gnss/geodesy"
)

// num is a number that may be unknown: NaN, null in JSON. It is written to the
// microsecond and micrometre.
type num float64

func (x num) known() bool { return !math.IsNaN(float64(x)) && !math.IsInf(float64(x), 0) }

// MarshalJSON implements json.Marshaler.
func (x num) MarshalJSON() ([]byte, error) {
	if !x.known() {
		return []byte("null"), nil
	}
	return strconv.AppendFloat(nil, math.Round(float64(x)*1e6)/1e6, 'f', -1, 64), nil
}

// prob is a probability that may be unknown.
type prob float64

// MarshalJSON implements json.Marshaler.
func (x prob) MarshalJSON() ([]byte, error) {
	if !num(x).known() {
		return []byte("null"), nil
	}
	return strconv.AppendFloat(nil, float64(x), 'g', 3, 64), nil
}

// count is a number or an id that may be unknown: -1, null in JSON.
type count int

// MarshalJSON implements json.Marshaler.
func (x count) MarshalJSON() ([]byte, error) {
	if x < 0 {
		return []byte("null"), nil
	}
	return strconv.AppendInt(nil, int64(x), 10), nil
}

// Report is what the correction link did. The tags are the one place where the
// fields of the JSON object are described; [Fields] lists them.
type Report struct {
	From         num    `json:"from_t" doc:"host time of the first record, Unix s"`
	Span         num    `json:"span_s" doc:"host time to the last record"`
	HostMinusUTC num    `json:"host_minus_utc_s" doc:"host clock less UTC as the receiver reports it, at the end; null without a receiver"`
	Damage       string `json:"damage" doc:"what the recording had lost, empty for nothing"`
	Part         *Part  `json:"part,omitempty" doc:"the part that was asked for: outages and timeline are those of it, all else is of the whole; absent where none was"`

	Link       Link       `json:"link" doc:"what came over the correction link"`
	Types      []Type     `json:"message_types" doc:"by message number"`
	Base       Base       `json:"base" doc:"the base at the end, against the reference"`
	Stations   []Station  `json:"stations" doc:"every place or id that a base reported, in the order heard"`
	Distances  []Distance `json:"station_distances" doc:"between stations with coordinates"`
	Receiver   Receiver   `json:"receiver" doc:"what the rover says"`
	Outages    []Outage   `json:"outages" doc:"correction outages in the order of their ends"`
	NearMisses int        `json:"near_misses" doc:"troubles of the link that ended before they became an outage"`
	Recurrence Recurrence `json:"recurrence" doc:"whether outages and near misses come back"`
	Loss       *Loss      `json:"loss,omitempty" doc:"where observation epochs were lost; absent where neither place nor distance is known"`
	Advice     []Finding  `json:"advice" doc:"what the outages together point at"`
	Timeline   Timeline   `json:"timeline" doc:"second by second"`
	Reception  []string   `json:"reception,omitempty" doc:"what rover and base receive, by their own observations; absent without any"`
	Findings   []Finding  `json:"findings,omitempty" doc:"what the observations show that can be mended"`
	Ends       *Ends      `json:"both_ends,omitempty" doc:"the link as both ends saw it; absent without a record of the base's end"`
	Missing    []string   `json:"missing" doc:"what could not be determined, and why"`

	letters []byte  // of the outages
	trail   []place // where the car was
	lap     float64 // m, length of the lap; 0 without a map
	zero    float64 // host Unix s from which the paragraphs count
	zone    civil.Zone

	all       int // outages of the whole recording
	allLength num // s
}

// Part is the part of the recording that was asked for.
type Part struct {
	Text string `json:"asked" doc:"as it was asked for"`
	From num    `json:"from_t" doc:"host time of its first verdict line, Unix s"`
	To   num    `json:"to_t" doc:"and of its last"`
}

// Finding is something that a person can act on.
type Finding struct {
	Seen string `json:"seen" doc:"with its number"`
	Do   string `json:"do" doc:"what to change"`
}

// Link is what came over the correction link.
type Link struct {
	Tapped      bool       `json:"tapped" doc:"bytes of the link were recorded"`
	Timed       bool       `json:"timed" doc:"they carry the times at which they came"`
	Bytes       uint64     `json:"bytes" doc:""`
	Rate        num        `json:"bytes_per_s" doc:"from the first byte to the last"`
	Frames      uint64     `json:"frames" doc:"whole ones"`
	CRC         uint64     `json:"crc_failures" doc:"frames whose checksum differs"`
	Junk        uint64     `json:"junk_bytes" doc:"outside whole frames"`
	Refused     []Refused  `json:"junk_reasons" doc:"the same by reason"`
	Epochs      int        `json:"epochs" doc:"observation epochs that came"`
	Interval    num        `json:"epoch_interval_s" doc:"usual time from one to the next"`
	Silence     num        `json:"longest_silence_s" doc:"without a byte"`
	LatencyTied bool       `json:"latency_tied" doc:"latencies count from the epoch; else from the least one heard"`
	LatencyUse  num        `json:"latency_usual_s" doc:"arrival less epoch"`
	LatencyMax  num        `json:"latency_max_s" doc:""`
	Systems     []System   `json:"constellations" doc:"observed by the base"`
	Rollovers   []Rollover `json:"rollovers" doc:"counts of time that began anew: no faults"`
	Gaps        []Gap      `json:"gaps" doc:"longest times without an observation epoch, beyond one interval"`
}

// Refused is how many bytes were refused for one reason.
type Refused struct {
	Reason string `json:"reason" doc:""`
	Bytes  uint64 `json:"bytes" doc:""`
}

// System is one constellation as the base observes it.
type System struct {
	Name  string `json:"name" doc:""`
	Sats  num    `json:"satellites" doc:"mean of an epoch that has it"`
	Share num    `json:"epoch_share" doc:"share of the epochs that have it"`
}

// Rollover is a count of time that began anew.
type Rollover struct {
	T      num    `json:"t" doc:"host Unix s"`
	At     num    `json:"at_s" doc:"s from the first record"`
	System string `json:"system" doc:""`
	Unit   string `json:"unit" doc:"week or day"`
	From   int64  `json:"from_ms" doc:"the count before"`
	To     int64  `json:"to_ms" doc:"and after"`
}

// Gap is a time without an observation epoch.
type Gap struct {
	UTC    num `json:"utc" doc:"epoch before it, Unix s"`
	At     num `json:"at_s" doc:"s from the first record"`
	Length num `json:"length_s" doc:"from that epoch to the next"`
}

// Type is one message type.
type Type struct {
	Number int    `json:"number" doc:""`
	Holds  string `json:"holds" doc:"what, in trade words; empty for a number not known here"`
	Count  uint64 `json:"count" doc:""`
	Rate   num    `json:"rate_hz" doc:"usual, while the link flowed"`
	Gap    num    `json:"longest_gap_s" doc:"the end of the recording included"`
	Size   num    `json:"mean_size_bytes" doc:"of a frame"`
	Last   num    `json:"last_s" doc:"s from the first record to the last of them"`
}

// Station is one base as it reported itself: another id or another place is
// another station.
type Station struct {
	ID     count  `json:"id" doc:"reference station id"`
	First  num    `json:"first_s" doc:"s from the first record"`
	Last   num    `json:"last_s" doc:""`
	Frames uint64 `json:"frames" doc:""`
	X      num    `json:"x_m" doc:"Earth-centred, Earth-fixed; null when it reported no coordinates"`
	Y      num    `json:"y_m" doc:""`
	Z      num    `json:"z_m" doc:""`
	Lat    num    `json:"lat_deg" doc:"WGS 84"`
	Lon    num    `json:"lon_deg" doc:""`
	H      num    `json:"h_m" doc:"above the ellipsoid"`
}

func (s *Station) ecef() geodesy.ECEF {
	return geodesy.ECEF{X: float64(s.X), Y: float64(s.Y), Z: float64(s.Z)}
}

// Distance is between two stations.
type Distance struct {
	From   int `json:"from" doc:"place in the list of stations, counted from 1"`
	To     int `json:"to" doc:""`
	Metres num `json:"distance_m" doc:""`
}

// Base is the base at the end.
type Base struct {
	State     string   `json:"state" doc:"unheard, as surveyed, first heard, elsewhere or unconfirmed"`
	Surveyed  bool     `json:"surveyed" doc:"the settings hold surveyed coordinates; else the first ones heard are the reference"`
	ID        count    `json:"station" doc:"id on the link"`
	Off       num      `json:"off_m" doc:"from the reference"`
	Tolerance num      `json:"tolerance_m" doc:""`
	Baseline  num      `json:"baseline_m" doc:"base to rover antenna, at the end"`
	Nearest   num      `json:"baseline_min_m" doc:""`
	Farthest  num      `json:"baseline_max_m" doc:""`
	Changes   []Change `json:"changes" doc:"of coordinates or id"`
}

// Change is one change of the base.
type Change struct {
	T    num    `json:"t" doc:"host Unix s"`
	At   num    `json:"at_s" doc:"s from the first record"`
	Step num    `json:"step_m" doc:"from the coordinates before; null when only the id changed"`
	Text string `json:"text" doc:""`
}

// Receiver is what the rover says.
type Receiver struct {
	Epochs    int            `json:"epochs" doc:""`
	Rate      num            `json:"rate_hz" doc:""`
	Qualities []QualityShare `json:"qualities" doc:"by how often"`
	AgeUsual  num            `json:"age_usual_s" doc:"median correction age"`
	AgeMax    num            `json:"age_max_s" doc:""`
	Stations  []int          `json:"stations" doc:"ids that it says it used, in the order heard"`
	Longest   num            `json:"longest_silence_s" doc:"without an epoch"`
}

// QualityShare is how much of the epochs had one quality.
type QualityShare struct {
	Quality string `json:"quality" doc:""`
	Share   num    `json:"share" doc:"of the epochs"`
}

// Outage is one correction outage.
type Outage struct {
	Cause       string      `json:"cause" doc:"as in event lines"`
	T           num         `json:"t" doc:"host Unix s of its start"`
	End         num         `json:"end_t" doc:"host Unix s of the end of the fault"`
	At          num         `json:"at_s" doc:"start, s from the first record"`
	UTC         num         `json:"utc" doc:"start, Unix s by the receiver's clock"`
	Length      num         `json:"length_s" doc:"start to end of the fault"`
	Slack       num         `json:"start_slack_s" doc:"the start is known to plus or minus this"`
	Flowing     num         `json:"flowing_t" doc:"host Unix s: fresh corrections again"`
	Requalified num         `json:"requalified_t" doc:"host Unix s: quality and age as before; null when they were not"`
	Unfinished  bool        `json:"unfinished" doc:"the recording ended first"`
	AgeMax      num         `json:"age_max_s" doc:"longest correction age"`
	Qualities   []string    `json:"qualities" doc:"passed through, the one before first"`
	Where       num         `json:"where_m" doc:"along the lap"`
	Distance    num         `json:"base_distance_m" doc:"base to rover antenna at the start"`
	Facts       []string    `json:"facts" doc:"what the cause is decided from"`
	Evidence    Evidence    `json:"evidence" doc:"figures behind them"`
	Text        string      `json:"text" doc:"all of it in words"`
	Try         string      `json:"try" doc:"what to try next"`
	Cost        *Cost       `json:"cost,omitempty" doc:"what it cost; absent without a receiver"`
	Base        *OutageBase `json:"base_end,omitempty" doc:"what the base's end shows; absent without a record of it"`

	episode corrections.Episode
}

// Evidence holds the figures behind the facts of an outage.
type Evidence struct {
	Silence       num      `json:"silence_s" doc:"longest time without a byte"`
	Bytes         uint64   `json:"bytes" doc:""`
	Junk          uint64   `json:"junk_bytes" doc:""`
	CRC           uint64   `json:"crc_failures" doc:""`
	Expected      num      `json:"epochs_expected" doc:""`
	Epochs        int      `json:"epochs" doc:""`
	Late          int      `json:"epochs_late" doc:""`
	Partial       int      `json:"epochs_partial" doc:"without usual constellations or messages"`
	Lost          []string `json:"constellations_lost" doc:"in the last partial epoch"`
	Stopped       []int    `json:"types_stopped" doc:"station messages that stopped coming"`
	Latency       num      `json:"latency_max_s" doc:""`
	LatencyUse    num      `json:"latency_usual_s" doc:""`
	StationBefore count    `json:"station_before" doc:""`
	StationAfter  count    `json:"station_after" doc:""`
	BaseShift     num      `json:"base_shift_m" doc:"between the coordinates before and after"`
	AgeLimit      num      `json:"age_limit_s" doc:"correction age that counts as an outage"`
	SatsBefore    count    `json:"satellites_before" doc:""`
	SatsLeast     count    `json:"satellites_least" doc:""`
	CN0Before     num      `json:"cn0_before_dbhz" doc:""`
	CN0Least      num      `json:"cn0_least_dbhz" doc:""`
	RoverGap      num      `json:"receiver_silence_s" doc:"longest time without an epoch"`
}

// Recurrence says whether outages and near misses come back.
type Recurrence struct {
	Events  int    `json:"events" doc:"outages and near misses looked at; nearer than 10 s count as one"`
	Period  num    `json:"period_s" doc:"median time between them; null when they do not recur at one"`
	PeriodN int    `json:"period_gaps" doc:"gaps within 10 % of it"`
	PeriodP prob   `json:"period_p" doc:"probability that random times look as periodic"`
	Place   num    `json:"place_m" doc:"along the lap; null when they do not gather at one"`
	PlaceN  int    `json:"place_events" doc:"events in its stretch of 20 m"`
	PlaceP  prob   `json:"place_p" doc:"probability that so many fall there by the time spent there"`
	Text    string `json:"text" doc:"all of it in words"`
}

// Timeline holds link and quality second by second, the worst of each second.
type Timeline struct {
	From    num    `json:"from_s" doc:"of the first mark, s from the first record"`
	Step    num    `json:"step_s" doc:""`
	Link    string `json:"link" doc:"a mark each: . flowing, l late, s sparse, x corrupt, _ silent, ? not tapped"`
	Quality string `json:"quality" doc:"a GGA quality indicator each, - for no epoch"`
}
