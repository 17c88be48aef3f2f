// Package outward is what every way out of the building needs, whatever it
// carries: secrets that are read from files, words of another side that are safe
// to show, why nobody is reached, plain HTTP that stays on this computer, files that outlast a power cut,
// and a wait that can be ended. A leaf; messenger and publish/remote send with it.
package outward
