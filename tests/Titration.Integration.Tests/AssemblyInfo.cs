using Titration.Integration.Tests;
using Xunit;
using Xunit.Sdk;
using Xunit.v3;

// The tests share one FHIR endpoint, whose faults and log are for one at a time.
[assembly: Parallelization(Mode = ParallelMode.None)]
[assembly: TestCollectionOrderer(typeof(LastOfAll))]
