// Package embedded runs the Temporal server inside our own process, for
// installs on one machine. Its state lies in the private PostgreSQL cluster, in
// databases of its own, so that one backup holds everything.
//
// It is the only package that imports the server. The build tag "external"
// leaves the server out, for installs that bring their own Temporal cluster.
package embedded
