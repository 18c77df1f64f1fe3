package rtcm

import (
	"errors"
	"fmt"
	"math"
	"math/bits"

	"kerbline/gnss/gnsstime"
)

// Observables is the whole content of one MSM (types 1 to 7, RTCM 10403.x),
// field by field as sent, so that [Observables.Encode] gives the same bytes.
// What the numbers mean in m, cycles and Hz says [Observables.AppendTo]. It is
// large and holds no pointer: reuse one.
type Observables struct {
	System  System
	Type    int   // 1 to 7
	Station int   // DF003
	EpochMs int64 // ms of the week, or of the Moscow day (GLONASS)
	Day     int   // GLONASS: DF416, 0 Sunday, 7 unknown; else -1
	More    bool  // DF393: further messages of this epoch follow

	IODS           uint8 // DF409
	Reserved       uint8 // DF001, 7 bits
	Steering       uint8 // DF411
	ExternalClock  uint8 // DF412
	DivergenceFree bool  // DF417
	Smoothing      uint8 // DF418

	SatMask    uint64 // DF394, number 1 in the highest bit
	SignalMask uint32 // DF395, id 1 in the highest bit
	CellMask   uint64 // DF396, satellites by signals, from the highest bit

	NSats, NSignals, NCells int
	Sats                    [64]SatField  // the first NSats
	Cells                   [64]CellField // the first NCells
	Padding                 int           // bytes of zero after the last field
}

// SatField is what an MSM sends once a satellite.
type SatField struct {
	Number   uint8  // 1 to 64, by the mask
	RoughMs  uint8  // DF397: whole ms of range, 255 for none; types 4 to 7
	Info     uint8  // extended information: GLONASS channel + 7; types 5, 7
	RoughMod uint16 // DF398: range modulo 1 ms, 1/1024 ms
	Rate     int16  // DF399: m/s, -8192 for none; types 5, 7
}

// CellField is what an MSM sends once a signal of a satellite; the resolution
// of a field depends on the type.
type CellField struct {
	Sat, Signal uint8  // index in Sats; signal id, 1 to 32
	Code        int32  // DF400 or DF405
	Phase       int32  // DF401 or DF406
	Lock        uint16 // DF402 or DF407
	HalfCycle   bool   // DF420
	CNR         uint16 // DF403 or DF408, 0 for none
	Rate        int16  // DF404, 0.1 mm/s
}

// Why an MSM is refused.
var (
	errNotMSM    = errors.New("rtcm: not an MSM 1-7")
	errShort     = errors.New("rtcm: MSM ends before its fields do")
	errCells     = errors.New("rtcm: MSM with more than 64 satellite-signal pairs")
	errEpochTime = errors.New("rtcm: MSM epoch outside the week or day")
)

// reader takes fields from a payload whose length was checked.
type reader struct {
	b   []byte
	pos int
}

func (r *reader) u(n int) uint64 { v := bitField(r.b, r.pos, n); r.pos += n; return v }
func (r *reader) s(n int) int64  { v := signedField(r.b, r.pos, n); r.pos += n; return v }
func (r *reader) flag() bool     { return r.u(1) != 0 }

// Decode reads one whole frame, preamble to CRC. The CRC is the caller's to
// check. Nothing of a frame that is refused may be used.
func (o *Observables) Decode(frame []byte) error {
	if len(frame) < minFrame+3 {
		return errShort
	}
	p := frame[headLen : len(frame)-crcLen]
	have := len(p) * 8
	r := reader{b: p}
	n := int(r.u(12))
	var typ int
	if o.System, typ = msm(n); typ == 0 {
		return errNotMSM
	}
	o.Type = typ
	if have < msmHead {
		return errShort
	}
	o.Station = int(r.u(12))
	if !o.epoch(&r) {
		return errEpochTime
	}
	o.More = r.flag()
	o.IODS, o.Reserved, o.Steering, o.ExternalClock = uint8(r.u(3)), uint8(r.u(7)), uint8(r.u(2)), uint8(r.u(2))
	o.DivergenceFree, o.Smoothing = r.flag(), uint8(r.u(3))
	o.SatMask = r.u(32)<<32 | r.u(32)
	o.SignalMask = uint32(r.u(32))
	o.NSats, o.NSignals = bits.OnesCount64(o.SatMask), bits.OnesCount32(o.SignalMask)
	mask := o.NSats * o.NSignals
	if mask > 64 {
		return errCells
	}
	if have < msmHead+mask {
		return errShort
	}
	o.CellMask = 0
	for at := 0; at < mask; at += 32 {
		k := min(32, mask-at)
		o.CellMask |= r.u(k) << (64 - at - k)
	}
	o.NCells = bits.OnesCount64(o.CellMask)
	need := msmHead + mask + o.NSats*msmSatBits[typ] + o.NCells*msmCellBits[typ]
	if have < need {
		return errShort
	}
	o.number()
	o.readSats(&r)
	o.readCells(&r)
	o.Padding = (have - need) / 8
	return nil
}

// epoch reads the time of observation and reports whether it can be.
func (o *Observables) epoch(r *reader) bool {
	o.Day = -1
	if o.System == GLONASS {
		o.Day = int(r.u(3))
		o.EpochMs = int64(r.u(27))
		return o.EpochMs < (gnsstime.Day+1)*1000
	}
	o.EpochMs = int64(r.u(30))
	return o.EpochMs < gnsstime.Week*1000
}

// number sets the satellites, and satellite and signal of every cell, from the
// masks.
func (o *Observables) number() {
	var ids [32]uint8
	n := 0
	for m := o.SignalMask; m != 0; n++ {
		k := bits.LeadingZeros32(m)
		ids[n] = uint8(k + 1)
		m &^= 1 << (31 - k)
	}
	i, c := 0, 0
	cell := o.CellMask
	for m := o.SatMask; m != 0; i++ {
		k := bits.LeadingZeros64(m)
		m &^= 1 << (63 - k)
		o.Sats[i] = SatField{Number: uint8(k + 1)}
		for j := range o.NSignals {
			if cell>>63 != 0 {
				o.Cells[c] = CellField{Sat: uint8(i), Signal: ids[j]}
				c++
			}
			cell <<= 1
		}
	}
}

func (o *Observables) readSats(r *reader) {
	sats := o.Sats[:o.NSats]
	if o.Type >= 4 {
		for i := range sats {
			sats[i].RoughMs = uint8(r.u(8))
		}
	}
	rates := o.Type == 5 || o.Type == 7
	if rates {
		for i := range sats {
			sats[i].Info = uint8(r.u(4))
		}
	}
	for i := range sats {
		sats[i].RoughMod = uint16(r.u(10))
	}
	if rates {
		for i := range sats {
			sats[i].Rate = int16(r.s(14))
		}
	}
}

// cellBits are the widths of a cell's fields by MSM type, 0 where the type does
// not have it: code, phase, lock, half cycle, C/N0, rate.
var cellBits = [8]struct{ code, phase, lock, half, cnr, rate int }{
	1: {code: 15},
	2: {phase: 22, lock: 4, half: 1},
	3: {code: 15, phase: 22, lock: 4, half: 1},
	4: {code: 15, phase: 22, lock: 4, half: 1, cnr: 6},
	5: {code: 15, phase: 22, lock: 4, half: 1, cnr: 6, rate: 15},
	6: {code: 20, phase: 24, lock: 10, half: 1, cnr: 10},
	7: {code: 20, phase: 24, lock: 10, half: 1, cnr: 10, rate: 15},
}

func (o *Observables) readCells(r *reader) {
	w := cellBits[o.Type]
	cells := o.Cells[:o.NCells]
	if w.code > 0 {
		for i := range cells {
			cells[i].Code = int32(r.s(w.code))
		}
	}
	if w.phase > 0 {
		for i := range cells {
			cells[i].Phase = int32(r.s(w.phase))
		}
		for i := range cells {
			cells[i].Lock = uint16(r.u(w.lock))
		}
		for i := range cells {
			cells[i].HalfCycle = r.flag()
		}
	}
	if w.cnr > 0 {
		for i := range cells {
			cells[i].CNR = uint16(r.u(w.cnr))
		}
	}
	if w.rate > 0 {
		for i := range cells {
			cells[i].Rate = int16(r.s(w.rate))
		}
	}
}

// Encode returns o as a frame. It gives an error where a field does not fit, or
// the message would be longer than a frame.
func (o *Observables) Encode() ([]byte, error) {
	if o.Type < 1 || o.Type > 7 || o.System >= NSystems {
		return nil, errNotMSM
	}
	nSats, nSignals := bits.OnesCount64(o.SatMask), bits.OnesCount32(o.SignalMask)
	nCells := bits.OnesCount64(o.CellMask)
	mask := nSats * nSignals
	if mask > 64 || mask < 64 && o.CellMask<<mask != 0 || nSats != o.NSats || nSignals != o.NSignals || nCells != o.NCells {
		return nil, fmt.Errorf("rtcm: MSM masks hold %d satellites, %d signals, %d pairs, want %d, %d, %d and at most 64 pairs",
			nSats, nSignals, nCells, o.NSats, o.NSignals, o.NCells)
	}
	var w bitWriter
	w.put(uint64(1070+10*int(o.System)+o.Type), 12)
	w.put(uint64(o.Station), 12)
	if o.System == GLONASS {
		w.put(uint64(o.Day), 3)
		w.put(uint64(o.EpochMs), 27)
	} else {
		w.put(uint64(o.EpochMs), 30)
	}
	w.put(bit(o.More), 1)
	w.put(uint64(o.IODS), 3)
	w.put(uint64(o.Reserved), 7)
	w.put(uint64(o.Steering), 2)
	w.put(uint64(o.ExternalClock), 2)
	w.put(bit(o.DivergenceFree), 1)
	w.put(uint64(o.Smoothing), 3)
	w.put(o.SatMask, 64)
	w.put(uint64(o.SignalMask), 32)
	w.put(o.CellMask>>(64-mask), mask)
	o.writeSats(&w)
	o.writeCells(&w)
	for range o.Padding {
		w.b = append(w.b, 0)
	}
	if len(w.b) > maxPayload {
		return nil, fmt.Errorf("rtcm: MSM of %d bytes, want at most %d: send fewer satellites or signals a message", len(w.b), maxPayload)
	}
	return Frame(w.b), nil
}

func bit(on bool) uint64 {
	if on {
		return 1
	}
	return 0
}

func (o *Observables) writeSats(w *bitWriter) {
	sats := o.Sats[:o.NSats]
	if o.Type >= 4 {
		for i := range sats {
			w.put(uint64(sats[i].RoughMs), 8)
		}
	}
	rates := o.Type == 5 || o.Type == 7
	if rates {
		for i := range sats {
			w.put(uint64(sats[i].Info), 4)
		}
	}
	for i := range sats {
		w.put(uint64(sats[i].RoughMod), 10)
	}
	if rates {
		for i := range sats {
			w.put(uint64(sats[i].Rate), 14)
		}
	}
}

func (o *Observables) writeCells(w *bitWriter) {
	f := cellBits[o.Type]
	cells := o.Cells[:o.NCells]
	for i := range cells {
		w.put(uint64(cells[i].Code), f.code)
	}
	for i := range cells {
		w.put(uint64(cells[i].Phase), f.phase)
	}
	for i := range cells {
		w.put(uint64(cells[i].Lock), f.lock)
	}
	for i := range cells {
		w.put(bit(cells[i].HalfCycle), f.half)
	}
	for i := range cells {
		w.put(uint64(cells[i].CNR), f.cnr)
	}
	for i := range cells {
		w.put(uint64(cells[i].Rate), f.rate)
	}
}

// Keep leaves only the satellites for which keep is true.
func (o *Observables) Keep(keep func(number uint8) bool) {
	var index [64]int // old to new
	n := 0
	for i := range o.Sats[:o.NSats] {
		s := o.Sats[i]
		index[i] = -1
		if !keep(s.Number) {
			o.SatMask &^= 1 << (64 - s.Number)
			continue
		}
		index[i] = n
		o.Sats[n] = s
		n++
	}
	clear(o.Sats[n:o.NSats])
	o.NSats = n
	o.CellMask = 0
	cells := 0
	for _, c := range o.Cells[:o.NCells] {
		to := index[c.Sat]
		if to < 0 {
			continue
		}
		// Its place among the signals is how many ids of the mask come before.
		before := bits.OnesCount32(o.SignalMask >> (33 - c.Signal))
		c.Sat = uint8(to)
		o.CellMask |= 1 << (63 - to*o.NSignals - before)
		o.Cells[cells] = c
		cells++
	}
	clear(o.Cells[cells:o.NCells])
	o.NCells = cells
}

// Dim lowers every C/N0 by dB and takes out the signals that fall below least, and the
// satellites that have none left. Messages without C/N0 (types 1 to 3) stay as they are.
func (o *Observables) Dim(dB, least float64) {
	unit := 1.0
	if o.Type >= 6 {
		unit = 16
	}
	if o.Type < 4 {
		return
	}
	var left [64]bool
	cells := 0
	o.CellMask = 0
	for _, c := range o.Cells[:o.NCells] {
		v := float64(c.CNR)/unit - dB
		if c.CNR > 0 && v < least {
			continue
		}
		if c.CNR > 0 {
			c.CNR = uint16(math.Round(v * unit))
		}
		before := bits.OnesCount32(o.SignalMask >> (33 - c.Signal))
		o.CellMask |= 1 << (63 - int(c.Sat)*o.NSignals - before)
		left[c.Sat] = true
		o.Cells[cells] = c
		cells++
	}
	clear(o.Cells[cells:o.NCells])
	o.NCells = cells
	var keep [65]bool
	for i := range o.Sats[:o.NSats] {
		keep[o.Sats[i].Number] = left[i]
	}
	o.Keep(func(number uint8) bool { return keep[number] })
}
