package report

import (
	"fmt"
	"slices"
	"strings"
)

// folded replaces what several of the texts say word for word by a letter in square
// brackets, and returns what the letters stand for.
func folded(texts []string) (short, notes []string) {
	all := make([][]string, len(texts))
	for i, t := range texts {
		all[i] = tokens(t)
	}
	for letter := 'A'; letter <= 'Z'; letter++ {
		phrase := repeated(all)
		if phrase == nil {
			break
		}
		marker := fmt.Sprintf("[%c]", letter)
		for i := range all {
			if at := within(all[i], phrase); at >= 0 {
				all[i] = slices.Replace(all[i], at, at+len(phrase), marker)
			}
		}
		notes = append(notes, fmt.Sprintf("[%c] %s.", letter, joinTokens(phrase)))
	}
	for i := range all {
		short = append(short, joinTokens(all[i]))
	}
	return short, notes
}

// tokens are the words of a text, and the marks behind them by themselves.
func tokens(text string) (all []string) {
	for _, w := range strings.Fields(text) {
		bare := strings.TrimRight(w, ",;:.")
		if bare != "" {
			all = append(all, bare)
		}
		if bare != w {
			all = append(all, w[len(bare):])
		}
	}
	return all
}

func isMark(token string) bool { return strings.Trim(token, ",;:.") == "" }

// joinTokens puts tokens together again.
func joinTokens(tokens []string) string {
	var t strings.Builder
	for i, w := range tokens {
		if i > 0 && !isMark(w) {
			t.WriteByte(' ')
		}
		t.WriteString(w)
	}
	return t.String()
}

// A phrase is worth a note from so many words on, and in so many texts.
const phraseWords, phraseTexts = 12, 3

// repeated is the first phrase that enough texts have, as long as all of these have it;
// nil: none.
func repeated(all [][]string) []string {
	in := map[string]int{}
	for _, words := range all {
		seen := map[string]bool{}
		for i := 0; i+phraseWords <= len(words); i++ {
			if gram := strings.Join(words[i:i+phraseWords], " "); !seen[gram] {
				seen[gram] = true
				in[gram]++
			}
		}
	}
	for _, words := range all {
		for i := 0; i+phraseWords <= len(words); i++ {
			n := in[strings.Join(words[i:i+phraseWords], " ")]
			if n < phraseTexts {
				continue
			}
			end := i + phraseWords
			for end < len(words) && having(all, words[i:end+1]) == n {
				end++
			}
			for isMark(words[i]) {
				i++
			}
			for isMark(words[end-1]) {
				end--
			}
			return slices.Clone(words[i:end])
		}
	}
	return nil
}

func having(all [][]string, phrase []string) (n int) {
	for _, words := range all {
		if within(words, phrase) >= 0 {
			n++
		}
	}
	return n
}

// within is where a phrase first stands; -1: nowhere.
func within(words, phrase []string) int {
	for i := 0; i+len(phrase) <= len(words); i++ {
		if slices.Equal(words[i:i+len(phrase)], phrase) {
			return i
		}
	}
	return -1
}
