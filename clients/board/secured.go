package board

import (
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"net/http"
)

// policy lets a page use nothing but what the board itself serves: no script and no style
// in the page, nothing from elsewhere, no frame around it.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

const (
	cookieToken = "evenbench-token"
	// tokenField is the token's field in a form, and tokenHeader its header in what the
	// script sends.
	tokenField  = "token"
	tokenHeader = "X-Board-Token"
)

// secured stands before every request: it says what a page may do, and lets only the
// board's own pages write. That is told twice: by what the browser says of where a
// request comes from, and by a token that only those pages have.
//
// The token is in a cookie as well, and known to nobody else; so a page that stays open
// over a restart of the hub can still set its marks.
func secured(next http.Handler) http.Handler {
	return http.NewCrossOriginProtection().Handler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("X-Frame-Options", "DENY")
		token := cookie(r, cookieToken)
		if r.Method == http.MethodPost {
			sent := r.Header.Get(tokenHeader)
			if sent == "" {
				sent = r.PostFormValue(tokenField)
			}
			if token == "" || subtle.ConstantTimeCompare([]byte(token), []byte(sent)) != 1 {
				http.Error(w, "this did not come from a page of the board, or cookies are switched off: load the page again, and repeat it there", http.StatusForbidden)
				return
			}
		} else if token == "" {
			token = newToken()
			keep(w, r, cookieToken, token)
		}
		next.ServeHTTP(w, r.WithContext(withToken(r.Context(), token)))
	}))
}

func newToken() string {
	var b [32]byte
	_, _ = rand.Read(b[:]) // it never fails
	return base64.RawURLEncoding.EncodeToString(b[:])
}
