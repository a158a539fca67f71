package app

// StopTrail stops the server of the trail's stream, as a fault would.
func (a *App) StopTrail() { a.trail.server.Stop() }
