package fusion

// Clone returns a monitor that knows what m knows and goes on by itself, to see
// what would follow if other measurements came. The map is shared, everything
// else is its own; outages are not handed to what [Monitor.OnEpisode] named.
func (m *Monitor) Clone() *Monitor {
	c := *m
	c.link, c.episode, c.events = m.link.Clone(), nil, nil
	c.take = c.outage
	c.nav.Follow((*paths)(&c))
	c.params.Report = c.suspect
	return &c
}
