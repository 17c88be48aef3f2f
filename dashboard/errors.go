package dashboard

import (
	"encoding/json"
	"fmt"
	"net/http"
	"strconv"
	"time"
)

// writeLimit is how long a client may take to receive an answer, or one piece
// of a streamed one. It does not count the time to compute it.
const writeLimit = 30 * time.Second

// apiError is an answer other than the one asked for. The message says how to
// mend it.
type apiError struct {
	status  int
	field   string // query parameter at fault, or empty
	message string
}

// Error implements error.
func (e *apiError) Error() string { return e.message }

func badParameter(field, format string, args ...any) *apiError {
	return &apiError{http.StatusBadRequest, field, fmt.Sprintf(format, args...)}
}

func notFound(field, format string, args ...any) *apiError {
	return &apiError{http.StatusNotFound, field, fmt.Sprintf(format, args...)}
}

func unavailable(format string, args ...any) *apiError {
	return &apiError{http.StatusServiceUnavailable, "", fmt.Sprintf(format, args...)}
}

// errorAnswer is the API's Error.
type errorAnswer struct {
	Error errorDetail `json:"error"`
}

type errorDetail struct {
	Message string `json:"message"`
	Field   string `json:"field"`
}

// mostMessage bounds what of a request an answer repeats.
const mostMessage = 4 << 10

func writeError(w http.ResponseWriter, e *apiError) {
	if e.status == http.StatusServiceUnavailable {
		w.Header().Set("Retry-After", "5")
	}
	if e.status == http.StatusUnauthorized { // RFC 9110, 15.5.2; of no scheme that makes a browser ask by itself
		w.Header().Set("WWW-Authenticate", `Bearer realm="loadscribe"`)
	}
	writeJSON(w, e.status, errorAnswer{errorDetail{clipTo(e.message, mostMessage), clipTo(e.field, mostMessage)}})
}

// writeJSON encodes v as a whole before the first byte goes out, so that an
// answer is never half a document.
func writeJSON(w http.ResponseWriter, status int, v any) {
	body, err := json.Marshal(v)
	if err != nil {
		status = http.StatusServiceUnavailable
		body, _ = json.Marshal(errorAnswer{errorDetail{Message: fmt.Sprintf("the answer cannot be written as JSON: %v", err)}})
	}
	allowWrite(w)
	h := w.Header()
	h.Set("Content-Type", "application/json")
	h.Set("Cache-Control", "no-store")
	h.Set("Content-Length", strconv.Itoa(len(body)))
	w.WriteHeader(status)
	w.Write(body) // the client has gone: nobody is left to tell
}

// allowWrite gives the client writeLimit from now.
func allowWrite(w http.ResponseWriter) {
	// An error means that the connection has no deadlines (a test's recorder).
	_ = http.NewResponseController(w).SetWriteDeadline(time.Now().Add(writeLimit))
}
