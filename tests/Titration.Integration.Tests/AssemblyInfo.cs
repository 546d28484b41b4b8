using Titration.Integration.Tests;
using Xunit;
using Xunit.Sdk;
using Xunit.v3;

// Each test has a broker's virtual host, a database and an endpoint of its own, and waits more than it computes.
[assembly: Parallelization(Mode = ParallelMode.Collections, MaxThreads = 3)]
[assembly: AssemblyFixture(typeof(Endpoints))]
