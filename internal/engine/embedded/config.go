//go:build !external

package embedded

import (
	"strconv"

	"go.temporal.io/server/common/cluster"
	"go.temporal.io/server/common/config"
	"go.temporal.io/server/common/persistence/sql/sqlplugin/postgresql"
	"go.temporal.io/server/temporal"
)

const (
	// historyShards is fixed when the database is first used and cannot be
	// changed later: the server keeps the stored value. Four is ample for one
	// machine, and each shard costs background queries.
	historyShards = 4

	// Each of the four services opens its own pools, so up to
	// 4 * (mainConnections + visibilityConnections) connections can be open at
	// once: 80 of the 200 that the private cluster allows.
	mainConnections       = 15
	visibilityConnections = 5
	idleConnections       = 2

	clusterName     = "active"
	mainStore       = "main"
	visibilityStore = "visibility"
	disabled        = "disabled"
)

// serverConfig describes one server with all services; ports are in the order
// of temporal.DefaultServices.
func serverConfig(options Options, ports []int) *config.Config {
	services := make(map[string]config.Service, len(ports))
	for i, name := range temporal.DefaultServices {
		services[name] = config.Service{RPC: config.RPC{GRPCPort: ports[i], BindOnIP: loopback}}
	}
	frontend := loopbackAddress(services["frontend"].RPC.GRPCPort)

	return &config.Config{
		Global: config.Global{
			Membership: config.Membership{BroadcastAddress: loopback},
		},
		Persistence: config.Persistence{
			DefaultStore:     mainStore,
			VisibilityStore:  visibilityStore,
			NumHistoryShards: historyShards,
			DataStores: map[string]config.DataStore{
				mainStore:       {SQL: sqlConfig(options, options.Database, mainConnections)},
				visibilityStore: {SQL: sqlConfig(options, options.VisibilityDatabase, visibilityConnections)},
			},
		},
		ClusterMetadata: &cluster.Config{
			FailoverVersionIncrement: 10,
			MasterClusterName:        clusterName,
			CurrentClusterName:       clusterName,
			ClusterInformation: map[string]cluster.ClusterInformation{
				clusterName: {Enabled: true, InitialFailoverVersion: 1, RPCAddress: frontend},
			},
		},
		DCRedirectionPolicy: config.DCRedirectionPolicy{Policy: "noop"},
		Services:            services,
		PublicClient:        config.PublicClient{HostPort: frontend},
		Archival: config.Archival{
			History:    config.HistoryArchival{State: disabled},
			Visibility: config.VisibilityArchival{State: disabled},
		},
		NamespaceDefaults: config.NamespaceDefaults{
			Archival: config.ArchivalNamespaceDefaults{
				History:    config.HistoryArchivalNamespaceDefaults{State: disabled},
				Visibility: config.VisibilityArchivalNamespaceDefaults{State: disabled},
			},
		},
	}
}

// sqlConfig reaches a database through the socket. The plugin builds a URL with
// ConnectAddr as its host, where no path fits; the attributes become URL
// parameters, and for pgx these win over the host and port of the URL.
func sqlConfig(options Options, database string, connections int) *config.SQL {
	port := strconv.Itoa(options.Port)
	return &config.SQL{
		PluginName:      postgresql.PluginNamePGX,
		User:            options.User,
		Password:        options.Password,
		DatabaseName:    database,
		ConnectProtocol: "unix",
		ConnectAddr:     "localhost:" + port,
		ConnectAttributes: map[string]string{
			"host":             options.SocketFolder,
			"port":             port,
			"application_name": "velamen-temporal",
		},
		MaxConns:     connections,
		MaxIdleConns: idleConnections,
	}
}
