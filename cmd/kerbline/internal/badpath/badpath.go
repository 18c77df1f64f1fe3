// Package badpath is for tests: it puts a way between two ends on this computer that
// delays, loses, doubles and overtakes what goes through it, or carries nothing for a
// while, as a radio or a mobile network does.
//
// A stream ([TCP]) loses nothing: what a network loses comes again later, so a loss is
// a stall here, and what a partition holds up comes all at once at its end. Datagrams
// ([UDP]) are lost for good. Times are of the computer's clock; chance comes from a seed.
//
// Start at [TCP] and [UDP].
package badpath

import (
	"io"
	"math/rand/v2"
	"net"
	"sync"
	"testing"
	"time"
)

// Faults say what a way does to what goes through it.
type Faults struct {
	Delay  time.Duration // each piece, at least
	Jitter time.Duration // more than that, up to
	Loss   float64       // share of datagrams lost; of pieces of a stream that stall
	Stall  time.Duration // for how long
	Double float64       // share of datagrams that come twice
}

// Path is a way to one address. Set, Part and Heal may be called at any time.
type Path struct {
	Addr string // where the way begins

	mu      sync.Mutex
	changed *sync.Cond
	faults  Faults
	parted  bool
	closed  bool
	rng     *rand.Rand
	open    []io.Closer
	running sync.WaitGroup
}

func start(t testing.TB, seed uint64, addr string, first io.Closer) *Path {
	p := &Path{Addr: addr, rng: rand.New(rand.NewPCG(seed, 11)), open: []io.Closer{first}}
	p.changed = sync.NewCond(&p.mu)
	t.Cleanup(func() {
		p.mu.Lock()
		p.closed = true
		for _, c := range p.open {
			c.Close()
		}
		p.changed.Broadcast()
		p.mu.Unlock()
		p.running.Wait()
	})
	return p
}

// Set changes what the way does.
func (p *Path) Set(f Faults) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.faults = f
}

// Part lets nothing through any more, in either direction.
func (p *Path) Part() { p.part(true) }

// Heal ends a partition.
func (p *Path) Heal() { p.part(false) }

func (p *Path) part(on bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.parted = on
	p.changed.Broadcast()
}

// keep remembers what is to be closed at the end; false where that was already.
func (p *Path) keep(c io.Closer) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.closed {
		c.Close()
		return false
	}
	p.open = append(p.open, c)
	return true
}

// pass waits while the way is parted and reports whether it goes on.
func (p *Path) pass() bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	for p.parted && !p.closed {
		p.changed.Wait()
	}
	return !p.closed
}

// draw returns how long a piece is on its way and how often it comes.
func (p *Path) draw() (late time.Duration, copies int, parted bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	f := &p.faults
	late, copies = f.Delay, 1
	if f.Jitter > 0 {
		late += time.Duration(p.rng.Int64N(int64(f.Jitter)))
	}
	if p.rng.Float64() < f.Loss {
		copies = 0
	} else if p.rng.Float64() < f.Double {
		copies = 2
	}
	return late, copies, p.parted
}

// stall is for how long a lost piece of a stream keeps back what follows.
func (p *Path) stall() time.Duration {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.faults.Stall
}

// piece is a part of a stream that is due at a time.
type piece struct {
	due  time.Time
	data []byte
}

// TCP begins a way for connections to target.
func TCP(t testing.TB, seed uint64, target string) *Path {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := start(t, seed, l.Addr().String(), l)
	p.running.Go(func() {
		for {
			near, err := l.Accept()
			if err != nil {
				return
			}
			if p.keep(near) {
				p.running.Go(func() { p.join(near, target) })
			}
		}
	})
	return p
}

// join carries one connection to target until either end closes.
func (p *Path) join(near net.Conn, target string) {
	defer near.Close()
	if !p.pass() { // nothing answers while parted
		return
	}
	far, err := net.Dial("tcp", target)
	if err != nil || !p.keep(far) {
		return
	}
	var both sync.WaitGroup
	for _, ends := range [2][2]net.Conn{{near, far}, {far, near}} {
		both.Go(func() { p.carry(ends[0], ends[1]) })
	}
	both.Wait()
}

func (p *Path) carry(from, to net.Conn) {
	defer from.Close()
	defer to.Close()
	pieces := make(chan piece, 1<<12)
	var writing sync.WaitGroup
	writing.Go(func() {
		for k := range pieces {
			time.Sleep(time.Until(k.due))
			if !p.pass() {
				break
			}
			if _, err := to.Write(k.data); err != nil {
				break
			}
		}
		from.Close()
		for range pieces { // so that the reader does not wait
		}
	})
	var last time.Time
	for {
		b := make([]byte, 4096)
		n, err := from.Read(b)
		if n > 0 {
			late, copies, _ := p.draw()
			if copies == 0 {
				late += p.stall()
			}
			due := time.Now().Add(late)
			if due.Before(last) { // a stream keeps its order
				due = last
			}
			last = due
			pieces <- piece{due, b[:n]}
		}
		if err != nil {
			break
		}
	}
	close(pieces)
	writing.Wait()
}

// UDP begins a way for datagrams to target; all come from one address there.
func UDP(t testing.TB, seed uint64, target string) *Path {
	t.Helper()
	near, err := net.ListenPacket("udp4", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := start(t, seed, near.LocalAddr().String(), near)
	far, err := net.Dial("udp4", target)
	if err != nil {
		t.Fatal(err)
	}
	p.keep(far)
	p.running.Go(func() {
		for {
			b := make([]byte, 64<<10)
			n, _, err := near.ReadFrom(b)
			if err != nil {
				return
			}
			for late, copies, parted := p.draw(); copies > 0 && !parted; copies-- {
				time.AfterFunc(late, func() { far.Write(b[:n]) }) // each for itself: they overtake each other
			}
		}
	})
	return p
}
