package app

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
	return len(a.extracts.list) > 0
}

// ForgetExtracts has the application answer as if no extract were there yet.
func (a *App) ForgetExtracts() {
	a.extracts.mu.Lock()
	defer a.extracts.mu.Unlock()
	a.extracts.list = nil
}
