package metrics

import (
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
)

// sendersMost limits the series of senders. Further senders are counted as "other".
const sendersMost = 1000

// Sender says who sent which kind of fact: a registered facility or "unknown", a source or
// "unknown", the kind of the message's first fact or "none".
type Sender struct{ Facility, Source, Fact string }

// senders holds the figures by sender: how many messages were refused and why, and when the
// latest was accepted and refused. They are times, not counts, because a kind of fact that comes
// once a week has no rate, and a series that begins with its first refusal has no increase.
type senders struct {
	now     func() time.Time
	refused *prometheus.CounterVec

	mu   sync.Mutex
	last map[Sender]*lastOf
}

type lastOf struct{ taken, refused time.Time }

func newSenders(now func() time.Time) *senders {
	return &senders{now: now, last: map[Sender]*lastOf{}, refused: prometheus.NewCounterVec(prometheus.CounterOpts{
		Name: "cannulary_ingest_refused_total", Help: "Messages that were refused for what they say, by sender and reason.",
	}, []string{"facility", "source", "fact", "code"})}
}

// Taken records a message that was accepted, or was known already.
func (m *Metrics) Taken(s Sender) {
	m.senders.of(s, func(l *lastOf, now time.Time) { l.taken = now })
}

// Refused records a message that was refused for its content.
func (m *Metrics) Refused(s Sender, code string) {
	s = m.senders.of(s, func(l *lastOf, now time.Time) { l.refused = now })
	m.senders.refused.WithLabelValues(s.Facility, s.Source, s.Fact, code).Inc()
}

func (x *senders) of(s Sender, note func(*lastOf, time.Time)) Sender {
	x.mu.Lock()
	defer x.mu.Unlock()
	if _, ok := x.last[s]; !ok && len(x.last) >= sendersMost {
		s = Sender{"other", "other", "other"}
	}
	l, ok := x.last[s]
	if !ok {
		l = &lastOf{}
		x.last[s] = l
	}
	note(l, x.now())
	return s
}

var (
	descLastTaken = prometheus.NewDesc("cannulary_ingest_last_taken_timestamp_seconds",
		"When this process took the latest message of the sender whose first fact is of the kind, seconds since 1970; 0 for never.",
		[]string{"facility", "source", "fact"}, nil)
	descLastRefused = prometheus.NewDesc("cannulary_ingest_last_refused_timestamp_seconds",
		"When this process refused the latest such message for what it says, seconds since 1970; 0 for never.",
		[]string{"facility", "source", "fact"}, nil)
)

// Describe names the figures.
func (x *senders) Describe(ch chan<- *prometheus.Desc) {
	ch <- descLastTaken
	ch <- descLastRefused
}

// Collect exports both times of every sender, so that neither is absent while the other is
// there.
func (x *senders) Collect(ch chan<- prometheus.Metric) {
	x.mu.Lock()
	defer x.mu.Unlock()
	seconds := func(t time.Time) float64 {
		if t.IsZero() {
			return 0
		}
		return float64(t.UnixMilli()) / 1000
	}
	for s, l := range x.last {
		ch <- prometheus.MustNewConstMetric(descLastTaken, prometheus.GaugeValue, seconds(l.taken), s.Facility, s.Source, s.Fact)
		ch <- prometheus.MustNewConstMetric(descLastRefused, prometheus.GaugeValue, seconds(l.refused), s.Facility, s.Source, s.Fact)
	}
}
