package nmea

import (
	"bytes"
	"errors"
	"fmt"
	"strings"

	gonmea "github.com/adrianmo/go-nmea"
)

// maxFields bounds the fields of a sentence on the short way; longer ones go
// through the library.
const maxFields = 32

// Parser turns lines into sentences. Make one with [NewParser]; it is not safe
// for concurrent use.
type Parser struct {
	s     Sentence
	r     reader
	views []View
	split [maxFields]string
	lib   gonmea.SentenceParser
}

// NewParser returns a parser.
func NewParser() *Parser {
	p := &Parser{}
	p.lib = gonmea.SentenceParser{
		CustomParsers:  make(map[string]gonmea.ParserFunc, NumTypes),
		CheckCRC:       checkCRC,
		OnBaseSentence: func(b *gonmea.BaseSentence) error { return onlyOurs(p, b) },
	}
	for typ := Other + 1; typ < NumTypes; typ++ {
		p.lib.CustomParsers[typ.String()] = func(b gonmea.BaseSentence) (gonmea.Sentence, error) {
			return nil, p.read(typ, b.Talker, b.Fields)
		}
	}
	return p
}

// errOther stops the library before its own parsers: nothing here needs what
// they read, and some of them panic on a sentence without fields.
var errOther = errors.New("nmea: no parser of ours")

func onlyOurs(p *Parser, b *gonmea.BaseSentence) error {
	if _, ok := p.lib.CustomParsers[b.Type]; ok && b.Raw[0] == '$' && b.Talker != "P" {
		return nil
	}
	return errOther
}

// checkCRC replaces the library's, which takes "*" with nothing behind it to
// mean that the sentence has none, and writes its message before it is needed.
func checkCRC(b gonmea.BaseSentence, rawFields string) error {
	if len(b.Checksum) != 2 || !isHex(b.Checksum[0]) || !isHex(b.Checksum[1]) {
		return noChecksum(b.Type)
	}
	var x byte
	for i := 0; i < len(rawFields); i++ {
		x ^= rawFields[i]
	}
	if sent := unhex(b.Checksum[0])<<4 | unhex(b.Checksum[1]); sent != x {
		return badChecksum(b.Type, sent, x)
	}
	return nil
}

func noChecksum(where string) error {
	return &Error{Reason: NoChecksum, Where: where, Value: "has no checksum", Want: "*hh"}
}

func badChecksum(where string, sent, want byte) error {
	return &Error{Reason: BadChecksum, Where: where, Value: fmt.Sprintf("has checksum %02X", sent), Want: fmt.Sprintf("%02X", want)}
}

// Parse reads one line, "$...*hh", as [Line.Text] holds it; blanks and line
// ends around it do not matter. The sentence is p's own and valid until the
// next Parse; a well-formed one that nothing here needs has type [Other]. The
// error is an [*Error], and then there is no sentence.
func (p *Parser) Parse(line []byte) (*Sentence, error) {
	line = bytes.TrimSpace(line)
	done, err := p.short(line)
	if !done {
		err = p.long(string(line))
	}
	if err != nil {
		return nil, err
	}
	return &p.s, nil
}

// everyEpoch returns the type if it is one that usually comes with every
// epoch.
func everyEpoch(a, b, c byte) Type {
	switch uint32(a)<<16 | uint32(b)<<8 | uint32(c) {
	case 'G'<<16 | 'G'<<8 | 'A':
		return GGA
	case 'R'<<16 | 'M'<<8 | 'C':
		return RMC
	case 'G'<<16 | 'S'<<8 | 'T':
		return GST
	case 'V'<<16 | 'T'<<8 | 'G':
		return VTG
	}
	return Other
}

// short reads the commonest sentences without a copy: $ttsss,fields*hh with a
// talker of two letters. It says false when the line is for the library.
func (p *Parser) short(line []byte) (done bool, err error) {
	n := len(line)
	if n < 10 || line[0] != '$' || line[1] == 'P' || !inAddress[line[1]] || !inAddress[line[2]] || line[6] != ',' ||
		line[n-3] != '*' || !isHex(line[n-2]) || !isHex(line[n-1]) {
		return false, nil
	}
	typ := everyEpoch(line[3], line[4], line[5])
	if typ == Other {
		return false, nil
	}
	x := checksum(line[1:7])
	body := alias(line[7 : n-3])
	nf, start := 0, 0
	for i := 0; i < len(body); i++ {
		c := body[i]
		x ^= c
		if c == ',' || c == '*' || c == '\\' {
			if c != ',' || nf == maxFields-1 {
				return false, nil
			}
			p.split[nf] = body[start:i]
			nf++
			start = i + 1
		}
	}
	p.split[nf] = body[start:]
	if sent := unhex(line[n-2])<<4 | unhex(line[n-1]); sent != x {
		return true, badChecksum(typ.String(), sent, x)
	}
	return true, p.read(typ, alias(line[1:3]), p.split[:nf+1])
}

// long reads a line by way of the library.
func (p *Parser) long(line string) error {
	if line == "" || line[0] != '$' && line[0] != '!' {
		return &Error{Reason: Headless, Where: "line", Value: "does not start with $", Want: "$...*hh"}
	}
	if strings.IndexByte(line, '\\') >= 0 { // the library would look for a TAG block in the middle
		return &Error{Reason: BadField, Where: "line", Value: "holds a backslash", Want: "$...*hh"}
	}
	p.s = blank
	switch _, err := p.lib.Parse(line); err.(type) {
	case nil, *Error:
		return err
	default:
		if err == errOther {
			return nil
		}
		// What the library itself refuses before it asks for a parser.
		return &Error{Reason: BadField, Where: "line", Value: "fails (" + strings.TrimPrefix(err.Error(), "nmea: ") + ")", Want: "$ttsss,...*hh"}
	}
}

// read fills p.s from the fields of a sentence.
func (p *Parser) read(typ Type, talker string, fields []string) error {
	s, r := &p.s, &p.r
	*s = blank
	s.Type = typ
	copy(s.Talker[:], talker)
	r.typ, r.f, r.err = typ, fields, nil
	switch typ {
	case GGA:
		r.gga(s)
	case RMC:
		r.rmc(s)
	case VTG:
		r.vtg(s)
	case GST:
		r.gst(s)
	case GSA:
		r.gsa(s)
	case GSV:
		p.views = r.gsv(s, p.views[:0])
	case GBS:
		r.gbs(s)
	case GNS:
		r.gns(s)
	case ZDA:
		r.zda(s)
	case HDT:
		r.hdt(s)
	case THS:
		r.ths(s)
	}
	return r.err
}
