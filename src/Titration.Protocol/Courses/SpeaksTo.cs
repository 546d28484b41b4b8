using System.Collections.Immutable;
using Titration.Protocol.Facts;

namespace Titration.Protocol.Courses;

/// <summary>Which observations speak to a course: those based on its orders, and those based on none of the patient's courses.</summary>
internal sealed class SpeaksTo(HashSet<string> mine, HashSet<string> others)
{
    public static SpeaksTo Course(List<ImmutableArray<PrescriptionFact>> orders, ImmutableArray<ImmutableArray<PrescriptionFact>> all)
    {
        HashSet<string> mine = new(orders.Select(o => o[0].Source.Id), StringComparer.Ordinal);
        HashSet<string> others = new(
            all.Where(o => o[^1].Product.Role == ProductRole.Titrated && !mine.Contains(o[0].Source.Id)).Select(o => o[0].Source.Id),
            StringComparer.Ordinal);
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
