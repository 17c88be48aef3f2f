package service

import "context"

// System is a service manager. Install and Remove need its administrator's rights. What
// they do they say as they do it, on the writer that the System was made with.
type System interface {
	// Check returns what must be mended before Install, all of it joined; nil: nothing.
	Check(ctx context.Context, p *Plan) error
	// Install makes the service or brings it up to date, and starts it. What a failed
	// step and those before it changed is taken back.
	Install(ctx context.Context, p *Plan) error
	// Remove stops the service and takes it away. Site file and data stay.
	Remove(ctx context.Context, name string) error
	Start(ctx context.Context, name string) error
	Stop(ctx context.Context, name string) error
	// Status is how the service stands. One that is not installed is no error.
	Status(ctx context.Context, name string) (State, error)
}
