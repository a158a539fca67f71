package view

// WrongClocks is the text of the wrong clocks by which the view was built; see eventlog.WrongClocksText.
func (t *Tx) WrongClocks() (text string, err error) {
	_, err = t.row(`SELECT value FROM meta WHERE name = 'wrong clocks'`, nil, &text)
	return text, err
}

// SetWrongClocks notes by which ones it is built from now on.
func (t *Tx) SetWrongClocks(text string) error {
	return t.exec(`INSERT INTO meta (name, value) VALUES ('wrong clocks', ?) ON CONFLICT (name) DO UPDATE SET value = excluded.value`, text)
}
