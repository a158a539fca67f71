package access

import (
	"cmp"
	"errors"
	"sync"
	"time"

	"golang.org/x/time/rate"

	"cannulary/internal/fault"
)

// Limits bound what a principal may ask for. A zero takes the default.
type Limits struct {
	// PerSecond is how many requests a second, and Burst how many at once after a pause. A
	// message of a feed counts as one.
	PerSecond float64 `yaml:"per_second"`
	Burst     int     `yaml:"burst"`
	// AtOnce is how many requests may be under way, feeds and live pages included.
	AtOnce int `yaml:"at_once"`
}

// The defaults are this project's own. A full backlog may come in a feed at 500 messages a second.
const (
	defaultPerSecond = 500
	defaultBurst     = 1000
	defaultAtOnce    = 64
)

func (l Limits) check() error {
	if l.PerSecond < 0 || l.Burst < 0 || l.AtOnce < 0 {
		return errors.New("limits must not be negative; leave one out to take the default")
	}
	return nil
}

func (l Limits) filled() Limits {
	return Limits{PerSecond: cmp.Or(l.PerSecond, defaultPerSecond), Burst: cmp.Or(l.Burst, defaultBurst),
		AtOnce: cmp.Or(l.AtOnce, defaultAtOnce)}
}

// Shares keep what each principal has used of its limits. They outlast a policy that is read again.
type Shares struct {
	mu sync.Mutex
	by map[string]*share // by name
}

type share struct {
	limits Limits
	rate   *rate.Limiter
	now    int // requests under way
}

// of returns the share of a principal by its present limits. The caller holds the mutex.
func (s *Shares) of(p *Principal) *share {
	l := p.Limits.filled()
	one := s.by[p.Name]
	if one == nil {
		one = &share{limits: l, rate: rate.NewLimiter(rate.Limit(l.PerSecond), l.Burst)}
		if s.by == nil {
			s.by = map[string]*share{}
		}
		s.by[p.Name] = one
	}
	if one.limits != l {
		one.limits = l
		one.rate.SetLimit(rate.Limit(l.PerSecond))
		one.rate.SetBurst(l.Burst)
	}
	return one
}

// Begin counts a request that begins now. done must be called when it has ended. The fault is
// Limited where the principal has used its share.
func (s *Shares) Begin(p *Principal, now time.Time) (done func(), err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	one := s.of(p)
	if one.now >= one.limits.AtOnce {
		return nil, fault.New(fault.Limited, "too many requests of this principal are under way", "end some of them, then try again")
	}
	if !one.rate.AllowN(now, 1) {
		return nil, fault.New(fault.Limited, "this principal asks too often", "wait a second, then try again")
	}
	one.now++
	return func() {
		s.mu.Lock()
		one.now--
		s.mu.Unlock()
	}, nil
}

// Next counts one more message of a request that goes on, and returns how long it must wait.
func (s *Shares) Next(p *Principal, now time.Time) time.Duration {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.of(p).rate.ReserveN(now, 1).DelayFrom(now)
}
