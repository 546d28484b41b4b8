using System.Collections.Immutable;
using Titration.Protocol.Facts;

namespace Titration.Protocol.Courses;

/// <summary>
/// All that is known of one patient, in any order: findings and other prescriptions speak to all of a patient's courses.
/// </summary>
/// <param name="Patient">The patient's logical id.</param>
/// <param name="Facts">Every version of every resource that was read; duplicates change nothing.</param>
public sealed record PatientHistory(string Patient, ImmutableArray<Fact> Facts);
