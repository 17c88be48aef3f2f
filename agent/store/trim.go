package store

// Trim gives back memory that seals alone need; the next one takes it again. It
// waits for nothing: while something is written it does nothing.
func (s *Store) Trim() {
	if !s.writeMu.TryLock() {
		return
	}
	defer s.writeMu.Unlock()
	if s.closed || s.readOnly || !s.commitMu.TryLock() {
		return
	}
	defer s.commitMu.Unlock()
	enc, err := newEncoder() // it makes its tables, some 4 MB, when it is first used
	if err != nil {
		s.log.Debug("the encoder is kept", "error", err)
		return
	}
	old := s.enc
	s.enc = enc
	if err := old.Close(); err != nil {
		s.log.Debug("the encoder before", "error", err)
	}
}
