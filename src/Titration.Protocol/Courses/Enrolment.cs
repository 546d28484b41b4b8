using System.Text.Json.Serialization;
using Titration.Protocol.Facts;

namespace Titration.Protocol.Courses;

/// <summary>Whom the clinic follows.</summary>
[JsonConverter(typeof(JsonStringEnumConverter<Following>))]
public enum Following
{
    /// <summary>Every patient with a course.</summary>
    [JsonStringEnumMemberName("all")] All,

    /// <summary>Whom a clinician enrolled with a <c>follow-up</c> observation, until one ends it.</summary>
    [JsonStringEnumMemberName("enrolled")] Enrolled,
}

/// <summary>That a patient is not followed: only safety speaks.</summary>
/// <param name="Since">When a clinician ended it; null: nobody has begun it.</param>
/// <param name="Evidence">The observation that ended it.</param>
public sealed record NotFollowed(DateTimeOffset? Since, ResourceVersion? Evidence);

/// <summary>Whether a patient is followed.</summary>
internal static class Enrolment
{
    /// <summary>
    /// By the newest word of a clinician; the patient's own does not count. Where two of one instant disagree the patient is not followed: nothing is
    /// proposed on a contradiction.
    /// </summary>
    /// <returns>Null: followed.</returns>
    public static NotFollowed? Of(FactSelection facts, AsOf asOf)
    {
        if (asOf.Follow == Following.All)
        {
            return null;
        }

        List<Observed> said = [.. facts.Remarks.Where(o => o.Fact.PerformerKind == PerformerKind.Clinician && Saying(o) is not null)];
        List<Observed> newest = said.FindAll(o => o.At == said[^1].At);
        return newest.FindIndex(o => Saying(o) == false) is >= 0 and var ended ? new NotFollowed(newest[ended].At, newest[ended].Fact.Source)
            : newest.Count == 0 ? new NotFollowed(null, null)
            : null;
    }

    /// <summary>Null: it does not speak of it.</summary>
    private static bool? Saying(Observed observation)
    {
        foreach (Statement statement in observation.Fact.Statements)
        {
            if (statement is Statement.FollowUp followUp)
            {
                return followUp.Yes;
            }
        }

        return null;
    }
}
