using System.Collections.Immutable;
using Titration.Protocol.Facts;

namespace Titration.Protocol.Courses;

/// <summary>Which observations speak to a course: those based on its orders, and those based on none of the patient's courses.</summary>
internal sealed class SpeaksTo(HashSet<string> mine, HashSet<string> others)
{
    public static SpeaksTo Course(List<ImmutableArray<PrescriptionFact>> orders, ImmutableArray<ImmutableArray<PrescriptionFact>> all)
    {
        HashSet<string> mine = new(StringComparer.Ordinal);
        foreach (ImmutableArray<PrescriptionFact> order in orders)
        {
            mine.Add(order[0].Source.Id);
        }

        HashSet<string> others = new(StringComparer.Ordinal);
        foreach (ImmutableArray<PrescriptionFact> order in all)
        {
            if (order[^1].Product.Role == ProductRole.Titrated && !mine.Contains(order[0].Source.Id))
            {
                others.Add(order[0].Source.Id);
            }
        }

        return new SpeaksTo(mine, others);
    }

    public bool Includes(ObservationFact observation)
    {
        bool elsewhere = false;
        foreach (string order in observation.BasedOn)
        {
            if (mine.Contains(order))
            {
                return true;
            }

            elsewhere |= others.Contains(order);
        }

        return !elsewhere;
    }
}
