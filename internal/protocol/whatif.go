package protocol

// With is a copy of the book in which params are in force at the facility from a local
// date (YYYY-MM-DD) on, for all days to come: what the facility adopted for that date or a
// later one is not in the copy. The book itself stays as it is.
func (b *Book) With(facility, from string, params Parameters) *Book {
	out := &Book{adopted: make(map[string][]adoption, len(b.adopted)+1)}
	for f, list := range b.adopted {
		if f != facility {
			out.adopted[f] = list
			continue
		}
		for _, a := range list {
			if a.from < from {
				out.adopted[f] = append(out.adopted[f], a)
			}
		}
	}
	out.adopted[facility] = append(out.adopted[facility], adoption{from: from, params: params})
	return out
}
