// Package server runs velamen: it starts what the services need in order, joins
// the services, serves them over gRPC, and stops everything in reverse.
//
// There are two ways to run. With a data folder the server brings a private
// PostgreSQL cluster and its own Temporal server; with External it uses those
// of somebody else and can have replicas.
package server
