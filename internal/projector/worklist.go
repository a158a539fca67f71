package projector

import (
	"reflect"

	"cannulary/internal/worklist"
)

// worklists keeps what work lists need of the patients whom the event touches. A day that begins
// changes none of it.
func (w *writer) worklists() error {
	if len(w.newDays) > 0 {
		return nil
	}
	for _, key := range w.survivors() {
		if err := w.worklist(key); err != nil {
			return err
		}
	}
	return nil
}

func (w *writer) worklist(key string) error {
	if memo := w.lists[key]; memo != nil && w.plain != nil {
		before := memo.Person()
		took := true
		for i := range w.plain {
			took = took && memo.Add(&w.plain[i].Fact)
		}
		if took {
			if now := memo.Person(); !reflect.DeepEqual(before, now) {
				return w.tx.SetWorklist(w.group(key), key, &now)
			}
			return nil
		}
	}
	d, err := w.patient(key)
	if err != nil {
		return err
	}
	if len(w.lists) >= memosMost {
		clear(w.lists)
	}
	if len(d.Input.Items) == 0 { // an identity without facts of its own
		delete(w.lists, key)
		return w.tx.SetWorklist(w.group(key), key, nil)
	}
	now, memo := worklist.Fold(d.Input.Items, w.zone)
	w.lists[key] = memo
	return w.tx.SetWorklist(w.group(key), key, &now)
}
