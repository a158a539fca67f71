package app

import "cannulary/internal/trail"

// Followed reports whether all extracts have what the log has up to an entry, and answer.
func (a *App) Followed(seq uint64) bool {
	a.extracts.mu.Lock()
	defer a.extracts.mu.Unlock()
	for _, e := range a.extracts.list {
		s := e.side.Load()
		if s == nil || e.serving.Load() == nil {
			return false
		}
		if came, last := s.extract.Came(); came < seq || s.projector.Sequence() < last {
			return false
		}
	}
	return true
}

// ForgetExtracts has the application answer as if no extract were there yet. Each keeps its place: a look at the policy
// begins none anew.
func (a *App) ForgetExtracts() {
	a.extracts.mu.Lock()
	defer a.extracts.mu.Unlock()
	for id, e := range a.extracts.list {
		a.extracts.list[id] = &extracted{app: a, facilities: e.facilities, dir: e.dir}
	}
}

// StopTrail stops the server of the trail's stream, as a fault would.
func (a *App) StopTrail() { a.trail.server.Stop() }

// Trail returns the trail, nil in an instance that only builds a view.
func (a *App) Trail() *trail.Trail { return a.trail.Trail }
