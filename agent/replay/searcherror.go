package replay

import "fmt"

// searchError is a question that cannot be asked so. Field is the key as the person
// wrote it ("set comp1.cut_in", "search.limits.short"); Message says what is wrong and
// how to mend it.
type searchError struct{ Field, Message string }

func (e *searchError) Error() string { return e.Field + ": " + e.Message }

// refuseSearch makes a searchError.
func refuseSearch(field, format string, args ...any) error {
	return &searchError{Field: field, Message: fmt.Sprintf(format, args...)}
}
