namespace Titration.Worker.Commands;

/// <summary>What must hold whatever patients and prescribers do.</summary>
internal enum DemoCheck
{
    /// <summary>No patient has two open step changes at any instant.</summary>
    TwoStepChanges,

    /// <summary>No communication stands after its grounds have gone.</summary>
    WithoutGrounds,

    /// <summary>At most one message a day to a patient, safety apart.</summary>
    TwoMessagesADay,

    /// <summary>No step up before day 14 of the step.</summary>
    TooEarly,

    /// <summary>No step up without a complete check-in, 7 days old or less and 5 days or more into the step.</summary>
    OnSilence,
}

/// <summary>A check that failed once.</summary>
internal sealed record DemoViolation(DemoCheck Check, string Patient, DateTimeOffset At, string What);
