package remote

// ReadPosition is the Position that a stopped program's cursor tells of; nil: there is
// none yet.
func ReadPosition(dir string, c Config) (Position, error) {
	s, err := Open(dir, c, nil, Options{})
	if err != nil {
		return nil, err
	}
	found, err := s.keeper.load()
	if err != nil || found == nil {
		return nil, err
	}
	return found.Position, nil
}
