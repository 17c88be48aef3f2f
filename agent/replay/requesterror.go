package replay

import "fmt"

// RequestError is a question that cannot be asked so. Field is the key as the person
// wrote it ("set comp1.cut_in", "search.limits.short"); Message says what is wrong and
// how to mend it.
type RequestError struct{ Field, Message string }

func (e *RequestError) Error() string { return e.Field + ": " + e.Message }

// refuse makes a RequestError.
func refuse(field, format string, args ...any) error {
	return &RequestError{Field: field, Message: fmt.Sprintf(format, args...)}
}
